"""Setups that are compared, from small TOML files: those that come along, and a user's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from fourlight.errors import FourlightError, InputError, RecipeError
from fourlight.io.texts import text_of
from fourlight.pipeline.curves import camera_named, filter_named, mono_named
from fourlight.pipeline.own_things import CameraEntry, OpticsEntry
from fourlight.sensor.chip import USUAL, Chip
from fourlight.sensor.filters import TRANSMISSION, Filter, in_bands
from fourlight.sensor.mono import DYES_PASS, without_dyes
from fourlight.sensor.response import Response
from fourlight.sensor.rig import Rig
from fourlight.settings import Section, from_toml, nearest
from fourlight.stages.compare_setup import Costs, Glass, Setup

__all__ = ["SetupFile", "known_settings", "loads", "setup_named", "setup_names"]


class SetupCamera(CameraEntry):
    """A camera with dyes before its pixels, or without."""

    mono: Annotated[
        bool, Field(description="No dyes before its pixels; its CSV file may hold one column qe")
    ] = False
    dyes_pass: Annotated[
        float,
        Field(gt=0, le=1, description="Part that a dye passes at its best, for mono from curves of colours"),
    ] = DYES_PASS


class FilterEntry(Section):
    """A filter and its part of the night."""

    filter: Annotated[str, Field(description="Name or CSV file; none: nothing in front of the camera")] = (
        "none"
    )
    bands_nm: Annotated[
        tuple[tuple[float, float], ...],
        Field(description="Own bands as [centre, width] in nm, instead of a name"),
    ] = ()
    called: Annotated[str | None, Field(description="What it is called; unset: its name")] = None
    share: Annotated[
        float, Field(gt=0, le=1000, description="Its share of the light, against the others'")
    ] = 1.0
    sub_s: Annotated[
        float | None, Field(gt=0, description="Length of its subs, s; unset: that of the setup")
    ] = None
    transmission: Annotated[float, Field(gt=0, le=1, description="At its best, where it has no curve")] = (
        TRANSMISSION
    )


class OverheadEntry(Section):
    """Time that is no light."""

    change_s: Annotated[float, Field(ge=0, le=3600, description="One change of the filter, s")] = 15.0
    refocus_s: Annotated[float, Field(ge=0, le=3600, description="One refocus, s")] = 120.0
    refocus_min: Annotated[float, Field(gt=0, le=1440, description="Minutes until the next is due")] = 60.0
    refocus_after_change: Annotated[bool, Field(description="Refocus after every change of the filter")] = (
        True
    )
    download_s: Annotated[float, Field(ge=0, le=600, description="Reading out one sub, s")] = 3.0
    dither_s: Annotated[
        float, Field(ge=0, le=600, description="Moving the mount a little and settling, s")
    ] = 10.0
    dither_every: Annotated[int, Field(ge=1, le=1000, description="Subs between two such moves")] = 1
    flats: Annotated[int, Field(ge=0, le=1000, description="Flats for each filter")] = 20
    flat_s: Annotated[float, Field(ge=0, le=600, description="One flat with reading out, s")] = 5.0
    flats_within: Annotated[bool, Field(description="Whether flats take time of the hours")] = True


class SetupFile(Section):
    """All of the file."""

    name: Annotated[
        str | None, Field(description="What the setup is called; unset: the name of the file")
    ] = None
    sub_s: Annotated[float, Field(gt=0, description="Length of subs, s")] = 180.0
    round_min: Annotated[
        float | None,
        Field(gt=0, description="Minutes of light in one round through all filters; unset: each filter once"),
    ] = None
    camera: SetupCamera = SetupCamera()
    optics: OpticsEntry = OpticsEntry(focal_mm=400.0, f_ratio=5.0)
    filters: Annotated[
        tuple[FilterEntry, ...], Field(min_length=1, description="Filters, in the order of their turns")
    ] = (FilterEntry(),)
    overheads: OverheadEntry = OverheadEntry()


def known_settings() -> list[str]:
    """Dotted names of all settings."""
    parts: dict[str, type[Section]] = {
        "camera": SetupCamera, "optics": OpticsEntry, "filters": FilterEntry, "overheads": OverheadEntry,
    }  # fmt: skip
    plain = [name for name in SetupFile.model_fields if name not in parts]
    return [*plain, *parts, *(f"{name}.{key}" for name, part in parts.items() for key in part.model_fields)]


@cache
def setup_names() -> tuple[str, ...]:
    """Setups that come along.

    >>> "mono-two-lines" in setup_names()
    True
    """
    folder = resources.files("fourlight.data").joinpath("setups")
    return tuple(sorted(Path(entry.name).stem for entry in folder.iterdir() if entry.name.endswith(".toml")))


def setup_named(name: str) -> Setup:
    """The setup of a name, or of a file.

    Raises
    ------
    InputError, RecipeError
        There is neither (the nearest name is told), or the setup cannot work.
    """
    if name in setup_names():
        text = resources.files("fourlight.data").joinpath("setups", f"{name}.toml").read_text("utf-8")
        return loads(text, name, Path())
    path = Path(name)
    if not (path.exists() or any(sign in name for sign in "./\\")):
        raise InputError(
            f"setup {name!r}: {nearest(name, setup_names(), 'such setup')} (a TOML file of your own will do too)"
        )
    text = text_of(path, "a setup", f"name a TOML file, or one of {', '.join(setup_names())}")
    return loads(text, str(path), path.parent)


def loads(text: str, source: str, folder: Path) -> Setup:
    """A setup from TOML text; files it names are looked for from a folder.

    Raises
    ------
    InputError, RecipeError
        It cannot be read or cannot work.

    Examples
    --------
    >>> found = loads("sub_s = 60\\n[[filters]]\\nfilter = 'dual-7nm'", "x.toml", Path())
    >>> found.name, found.glass[0].called, found.glass[0].sub_s
    ('x', 'dual-7nm', 60.0)
    """
    found = from_toml(SetupFile, text, known_settings(), source)
    try:
        return _made(found, source, folder)
    except RecipeError:
        raise
    except FourlightError as error:
        raise InputError(f"{source}: {error}") from None


def _made(found: SetupFile, source: str, folder: Path) -> Setup:
    response, dyes, said = _response(found.camera, folder)
    chip = Chip(**found.camera.stated())
    optics = found.optics.made(source)
    glass = []
    for entry in found.filters:
        chosen = _filter(entry, folder)
        called = entry.called or chosen.name
        rig = Rig(response, _passing(entry, chosen, called), optics, chip)
        glass.append(Glass(called, rig, entry.share, entry.sub_s or found.sub_s, dyes))
        _refuse_too_much(glass[-1])
    twice = [each.called for each in glass if [one.called for one in glass].count(each.called) > 1]
    if twice:
        raise InputError(f"filter {twice[0]} is there twice; name each once, or give them names with called")
    costs = Costs(**found.overheads.model_dump())
    name = found.name or Path(source).stem
    guessed = _guessed(found, response, [each.rig.filter for each in glass])
    return Setup(name, tuple(glass), costs, found.round_min, (*said, *guessed))


def _passing(entry: FilterEntry, chosen: Filter, called: str) -> Filter:
    """A filter with what it passes at its best."""
    if not chosen.bands and "transmission" in entry.model_fields_set:
        why = "has a curve, which says what it passes" if chosen.table is not None else "is nothing"
        raise InputError(f"filter {called} {why}; leave out transmission = {entry.transmission:g}")
    return chosen.passing(entry.transmission)


def _response(camera: SetupCamera, folder: Path) -> tuple[Response, float | None, list[str]]:
    """The camera, what dyes pass where they were taken away from its curves, and what was assumed."""
    name = camera.response or "generic"
    beside = folder / name
    chosen = str(beside) if beside.is_file() else name
    own = mono_named(chosen) if camera.mono else None
    if own is not None:
        return own, None, []
    response = camera_named(chosen)
    said = [] if camera.response else ["curves of the camera generic, the mean of those that come along"]
    if not camera.mono:
        return response, None, said
    said.append(
        f"the sensor without dyes is the outline of the colours of {response.name} over {camera.dyes_pass:g}, which "
        "dyes pass at best"
    )
    return without_dyes(response, camera.dyes_pass), camera.dyes_pass, said


def _refuse_too_much(glass: Glass) -> None:
    """Refuse a sensor beneath dyes that would make more than one electron of a photon."""
    rig, dyes = glass.rig, glass.dyes_pass
    most = rig.efficiency * float(rig.response.curves.max())
    if dyes is not None and most > 1.0 + 1e-9:
        needed = np.ceil(100 * dyes * most - 1e-6) / 100
        raise InputError(
            f"without its dyes, which pass {dyes:g} at best, {rig.response.name} would make {most:.2f} electrons of a "
            f"photon; state dyes_pass = {needed:.2f} or more, or a lower peak_efficiency"
        )


def _filter(entry: FilterEntry, folder: Path) -> Filter:
    if entry.bands_nm:
        if entry.filter != "none":
            raise InputError(f"filter {entry.filter} and bands_nm are given; give one of the two")
        return in_bands(entry.bands_nm)
    beside = folder / entry.filter
    found = filter_named(str(beside) if beside.is_file() else entry.filter)
    return replace(found, name=Path(entry.filter).stem) if beside.is_file() else found


def _guessed(found: SetupFile, response: Response, filters: Sequence[Filter]) -> Sequence[str]:
    """What nobody stated."""
    stated: dict[str, Any] = found.camera.stated()
    wanted = ("pixel_um", "read_noise_e", "gain_e_per_adu", "peak_efficiency", "dark_e_per_s")
    words = [
        f"{name} = {USUAL[name]:g}"
        for name in wanted
        if name not in stated and not (name == "peak_efficiency" and response.scale == "absolute")
    ]
    said = [f"sensor: {', '.join(words)}"] if words else []
    if found.optics.transmission is None:
        said.append("optics pass 85 % of the light")
    designs = [entry for entry, chosen in zip(found.filters, filters, strict=True) if chosen.bands]
    if not all("transmission" in entry.model_fields_set for entry in designs):
        said.append(f"filters pass {100 * TRANSMISSION:g} % of the light at their best")
    if found.model_fields_set.isdisjoint({"overheads"}):
        said.append("usual overheads, see docs/compare.md")
    return said
