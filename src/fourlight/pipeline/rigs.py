"""Camera, filter and optics as somebody who plans names them, each with what was assumed of it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fourlight.errors import InputError
from fourlight.io.texts import text_of
from fourlight.pipeline.curves import camera_named, filter_named

if TYPE_CHECKING:
    from fourlight.pipeline.own_things import OwnThings
    from fourlight.sensor.optics import Optics
    from fourlight.sensor.rig import Rig

__all__ = ["Gear", "OwnFile", "own_file", "rig_of"]

CHIP_WORDS = (
    "write it as 3.76um,6248x4176,read=1.5,full=50000,gain=0.8,bits=16,peak=0.8,dark=0.002, or a part of that"
)
CHIP_NAMES = {
    "read": "read_noise_e", "full": "full_well_e", "gain": "gain_e_per_adu", "peak": "peak_efficiency",
    "dark": "dark_e_per_s",
}  # fmt: skip
MEANINGS = {
    "pixel_um": ("pixels of", "um"), "width_px": ("a width of", "pixels"), "height_px": ("a height of", "pixels"),
    "read_noise_e": ("read noise of", "e"), "full_well_e": ("a full well of", "e"),
    "gain_e_per_adu": ("a gain of", "e/ADU"), "adc_bits": ("a converter of", "bits"),
    "peak_efficiency": ("a highest efficiency of", ""),
    "dark_e_per_s": ("a dark current of", "e/s"),
}  # fmt: skip


@dataclass(frozen=True)
class OwnFile:
    """A user's file, or that there is none."""

    things: OwnThings
    path: Path
    there: bool


@dataclass(frozen=True)
class Gear:
    """What was named, and what was assumed."""

    rig: Rig
    named: bool
    assumed: list[str] = field(default_factory=list)


def own_file(path: Path | None) -> OwnFile:
    """The file that is named, or that in the user's folder for settings where there is one.

    Raises
    ------
    InputError, RecipeError
        It cannot be read.
    """
    from fourlight.pipeline.own_things import loads, usual_path

    place = path or usual_path()
    if path is None and not place.is_file():
        return OwnFile(loads("", str(place)), place, there=False)
    text = text_of(place, "a file of sites", "write one as docs/planning.md says")
    return OwnFile(loads(text, str(place)), place, there=True)


def rig_of(
    own: OwnFile, camera: str | None, chip: str | None, filter_name: str | None, optics: str | None
) -> Gear:
    """Camera, filter and optics together.

    Raises
    ------
    InputError
        One of them is not known or cannot be used.
    """
    from fourlight.sensor import filters
    from fourlight.sensor.chip import Chip
    from fourlight.sensor.optics import TRANSMISSION, Optics
    from fourlight.sensor.rig import Rig

    assumed: list[str] = []
    stated: dict[str, Any] = {}
    response_name = camera or "generic"
    if camera in own.things.camera:
        entry = own.things.camera[str(camera)]
        stated, response_name = entry.stated(), entry.response or "generic"
        if entry.response and (own.path.parent / entry.response).is_file():
            response_name = str(own.path.parent / entry.response)
    stated |= _chip(chip)
    response = camera_named(response_name, None)
    if camera is None or response_name == "generic":
        assumed.append("curves of the camera generic, the mean of those that come along")
    assumed += _guessed(stated, known="peak_efficiency" if response.scale == "absolute" else "")
    lens = Optics(400.0, 80.0, assumed=True) if optics is None else _optics(own, optics)
    assumed += ["optics of 400 mm, f/5"] if optics is None else []
    if lens.assumed:
        assumed.append(f"optics pass {100 * TRANSMISSION:g} % of the light, in every colour")
    glass = filter_named(filter_name or "none").passing(filters.TRANSMISSION)
    if glass.bands:
        assumed.append(
            f"the filter {glass.name} passes {100 * glass.best:.0f} % at its best: a design, no measured curve"
        )
    rig = Rig(response, glass, lens, Chip(**stated))
    return Gear(rig, any(word is not None for word in (camera, chip, filter_name, optics)), assumed)


def _guessed(stated: dict[str, Any], known: str) -> list[str]:
    """What is assumed of a sensor; ``known`` is what its curves say already."""
    from fourlight.sensor.chip import USUAL

    words = [
        f"{MEANINGS[name][0]} {value:g} {MEANINGS[name][1]}".strip()
        for name, value in USUAL.items()
        if name not in stated and name != known
    ]
    return [f"sensor: {', '.join(words)}"] if words else []


def _optics(own: OwnFile, text: str) -> Optics:
    from fourlight.pipeline.own_things import entry_of
    from fourlight.sensor.optics import optics_from_text

    if text in own.things.optics or not re.search(r"[\d,/=]", text):
        found = entry_of(own.things.optics, "optics", text, str(own.path), "or write them as 400mm,f/5")
        return found.made(text)  # type: ignore[no-any-return]
    return optics_from_text(text)


def _chip(text: str | None) -> dict[str, Any]:
    """Numbers of a sensor as they are written on the command line.

    >>> _chip("3.76um,6248x4176,bits=14")
    {'pixel_um': 3.76, 'width_px': 6248, 'height_px': 4176, 'adc_bits': 14}
    """
    found: dict[str, Any] = {}
    for part in (piece.strip() for piece in text.split(",")) if text is not None else ():
        pixel = re.fullmatch(r"(\d+(?:\.\d*)?)\s*um", part)
        size = re.fullmatch(r"(\d+)\s*x\s*(\d+)", part)
        bits = re.fullmatch(r"bits\s*=\s*(\d+)", part)
        word = re.fullmatch(r"([a-z]+)\s*=\s*(\d*\.?\d+(?:e\d+)?)", part)
        new: dict[str, Any] = {}
        if pixel:
            new = {"pixel_um": float(pixel[1])}
        elif size:
            new = {"width_px": int(size[1]), "height_px": int(size[2])}
        elif bits:
            new = {"adc_bits": int(bits[1])}
        elif word and word[1] in CHIP_NAMES:
            new = {CHIP_NAMES[word[1]]: float(word[2])}
        if not new or new.keys() & found.keys():
            why = "is there twice" if new else "is not understood"
            raise InputError(f"--chip {text}: {part or 'an empty part'!r} {why}; {CHIP_WORDS}")
        found |= new
    return found
