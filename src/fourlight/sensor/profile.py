"""The profile of a camera: what was measured of it, with errors, as a plain TOML file."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from fourlight.frames import RawFrame
from fourlight.settings import Section, from_toml

__all__ = ["Camera", "Profile", "Quantity", "dumps", "loads"]

HEAD = """# Fourlight camera profile: what 'fourlight camera measure' found in flats, bias frames and darks.
# error: one standard error; frames: frames it rests on; bound: the true value lies at or beyond it.
"""


class Camera(Section):
    """The camera and the settings under which it was measured."""

    name: Annotated[str, Field(description="Camera as headers call it; empty: not said")] = ""
    width_px: Annotated[int, Field(ge=1, description="Width of a frame")]
    height_px: Annotated[int, Field(ge=1, description="Height of a frame")]
    binning: Annotated[int, Field(ge=1, description="Binning")] = 1
    mosaic: Annotated[str, Field(description="Pattern in array order; empty: not said")] = ""
    gain_setting: Annotated[float | None, Field(description="Gain or ISO setting")] = None
    offset_setting: Annotated[float | None, Field(description="Offset setting")] = None
    temperature_c: Annotated[float | None, Field(description="Sensor temperature of the bias frames")] = None
    step_adu: Annotated[float, Field(ge=0, description="Step of the digitiser")] = 1.0


class Quantity(Section):
    """A number with its standard error."""

    value: float
    error: Annotated[float | None, Field(ge=0)] = None
    unit: str = ""
    frames: Annotated[int, Field(ge=0)] = 0
    bound: Literal["", "at least", "at most"] = ""


class Profile(Section):
    """Everything that was measured of a camera."""

    format: Literal[1] = 1
    camera: Camera
    quantities: Annotated[dict[str, Quantity], Field(default_factory=dict)]
    """Of the camera: gain, read_noise and so on."""
    places: Annotated[dict[str, dict[str, Quantity]], Field(default_factory=dict)]
    """The same of each place of the mosaic cell."""
    missing: Annotated[dict[str, str], Field(default_factory=dict)]
    """What was not measured, and what it needs."""
    notes: tuple[str, ...] = ()

    def misfits(self, frame: RawFrame) -> list[str]:
        """Why the profile does not hold for a frame; empty where it does, or nothing says that it does not.

        Size and gain setting decide. What another header calls the camera, and the offset, do not change its gain.
        """
        camera, found = self.camera, []
        if (camera.width_px, camera.height_px) != (frame.nx, frame.ny):
            found.append(f"size {frame.nx} x {frame.ny} instead of {camera.width_px} x {camera.height_px}")
        if camera.binning != frame.binning:
            found.append(f"binning {frame.binning} instead of {camera.binning}")
        if (
            None not in (camera.gain_setting, frame.gain_setting)
            and camera.gain_setting != frame.gain_setting
        ):
            found.append(f"gain setting {frame.gain_setting:g} instead of {camera.gain_setting:g}")
        return found


def loads(text: str, source: str = "camera profile") -> Profile:
    """The profile in TOML text; ``source`` is the name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, or not a profile.
    """
    known = [*Profile.model_fields, *(f"camera.{name}" for name in Camera.model_fields)]
    return from_toml(Profile, text, known, source)


def dumps(profile: Profile) -> str:
    """The profile as TOML text, which `loads` reads back.

    >>> made = Profile(camera=Camera(width_px=4, height_px=2), quantities={"gain": Quantity(value=1.5, error=0.1)})
    >>> loads(dumps(made)) == made
    True
    """
    data = profile.model_dump(exclude_none=True)
    lines = [HEAD, f"format = {data['format']}", f"notes = {_value(list(data['notes']))}"]
    lines += ["", "[camera]", *_pairs(data["camera"])]
    lines += _tables("quantities", data["quantities"])
    for place, found in data["places"].items():
        lines += _tables(f"places.{_key(place)}", found)
    if data["missing"]:
        lines += ["", "[missing]", *_pairs(data["missing"])]
    return "\n".join(lines) + "\n"


def _tables(name: str, found: Mapping[str, Mapping[str, Any]]) -> Iterable[str]:
    lines = [f"{_key(key)} = {{ {', '.join(_pairs(part))} }}" for key, part in found.items()]
    return ["", f"[{name}]", *lines] if lines else []


def _pairs(data: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in data.items() if value != ""]


def _key(name: str) -> str:
    return name if name.replace("_", "").replace("-", "").isalnum() and name.isascii() else json.dumps(name)


def _value(value: Any) -> str:
    """A number, text or list of text as TOML; text of JSON is text of TOML but for one control character."""
    if isinstance(value, float):
        return repr(float(f"{value:.8g}"))
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
