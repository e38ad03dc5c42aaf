"""The scene: everything the simulator can be told, declared once with unit, bounds and a sentence of help.

A scene is TOML. Every field has a default, so an empty file is a scene. Unknown keys are refused with the
nearest known key named.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import resources
from typing import Annotated, Any, get_args

from pydantic import Field

from fourlight.settings import Section, from_toml
from fourlight.simulate.scene_camera import Calibration, Camera, Filter, Optics
from fourlight.simulate.scene_sky import Night, Object, Site, Stars

__all__ = [
    "Scene",
    "fields",
    "known_fields",
    "loads",
    "packaged",
    "settings_table",
    "start_time",
]


class Scene(Section):
    """A simulated observation: object, telescope, camera and nights."""

    seed: Annotated[int, Field(ge=0, description="Seed of everything random; same seed, same bytes")] = 1
    exposure_s: Annotated[float, Field(gt=0, description="Exposure of a light in seconds")] = 180.0
    reference_seeing_arcsec: Annotated[
        float, Field(gt=0, description="Seeing (FWHM at 500 nm) of the reference sub in the truth, arcsec")
    ] = 2.6
    object: Object = Object()
    stars: Stars = Stars()
    site: Site = Site()
    optics: Optics = Optics()
    filter: Filter = Filter()
    camera: Camera = Camera()
    calibration: Calibration = Calibration()
    nights: Annotated[tuple[Night, ...], Field(min_length=1, description="Nights, in order")] = (Night(),)

    @property
    def pixel_arcsec(self) -> float:
        """Pixel scale in arcsec per pixel of the reference frame: 206.265 p / f."""
        return 206.264806 * self.camera.pixel_um / self.optics.focal_mm


def loads(text: str, source: str = "scene") -> Scene:
    """Scene from TOML text; ``source`` is the name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key (the nearest known key is named) or a value out of bounds.

    Examples
    --------
    >>> loads("[camera]\\nwidth_px = 300\\nheight_px = 200").camera.width_px
    300
    """
    return from_toml(Scene, text, known_fields(), source)


def known_fields() -> list[str]:
    """Dotted names of all settings of a scene; those of nights without a number."""
    return [name for name, _ in fields()]


def fields() -> Iterator[tuple[str, Any]]:
    """Dotted name and pydantic field of each setting, in the order of the file."""
    for name, info in Scene.model_fields.items():
        model = Night if name == "nights" else info.annotation
        if isinstance(model, type) and issubclass(model, Section):
            yield from ((f"{name}.{key}", field) for key, field in model.model_fields.items())
        else:
            yield name, info


def settings_table() -> str:
    """All settings as a Markdown table, for the documentation."""
    lines = ["| setting | default | meaning |", "|---|---|---|"]
    for name, field in fields():
        default = "" if field.default is None else f"`{field.default}`"
        names = [name for name in get_args(field.annotation) if isinstance(name, str)]
        named = "" if all(f"{name}:" in str(field.description) for name in names) else ", ".join(names)
        lines.append(f"| `{name}` | {default} | {field.description}{f' ({named})' if named else ''} |")
    return "\n".join(lines) + "\n"


def packaged(name: str) -> Scene:
    """Scene that comes with the program.

    Parameters
    ----------
    name : str
        One of `fourlight.simulate.scene_names.packaged_names`.

    Examples
    --------
    >>> packaged("demo").camera.mosaic
    'RGGB'
    """
    text = resources.files("fourlight.simulate").joinpath("scenes", f"{name}.toml").read_text("utf-8")
    return loads(text)


def start_time(night: Night) -> datetime:
    """Start of the first exposure of a night, UTC, timezone-aware."""
    found = datetime.fromisoformat(night.start_utc)
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
