"""The recipe: the only settings model. Everything a user can choose is declared here, once.

The command line (``--set section.field=value``), the TOML file, the reference page in ``docs/`` and later the
web form are generated from these classes. Unknown keys are refused with the nearest known key named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from fourlight.errors import RecipeError
from fourlight.recipe_finish import Finish
from fourlight.recipe_gear import Gear
from fourlight.recipe_lights import Lights
from fourlight.recipe_lines import Lines
from fourlight.recipe_read import Read
from fourlight.recipe_sky import Sky
from fourlight.settings import Section, from_toml, validated
from fourlight.toml_text import value_of

__all__ = ["Recipe", "fields", "known_fields", "loads", "sections", "with_settings"]


Use = Literal["auto", "off"]


class Calibrate(Section):
    """Darks, flats, bias and defective samples."""

    darks: Annotated[Use, Field(description="auto: use darks that match the lights; off: leave them out")] = (
        "auto"
    )
    flats: Annotated[Use, Field(description="auto: use flats that match the lights; off: leave them out")] = (
        "auto"
    )
    bias: Annotated[
        Use, Field(description="auto: use bias frames that match the lights; off: leave them out")
    ] = "auto"
    temperature_tolerance_c: Annotated[
        float, Field(gt=0, description="Sensor temperatures this far apart (deg C) still match")
    ] = 3.0
    clip_sigma: Annotated[
        float, Field(gt=1, description="Rejection threshold when frames are combined to a master")
    ] = 4.0
    defects: Annotated[
        Use,
        Field(
            description="auto: leave out samples that lights, darks or the map beside the camera profile show to be "
            "defective; off: keep all"
        ),
    ] = "auto"
    defect_sigma: Annotated[
        float, Field(gt=2, description="Persistent excess over same-plane neighbours that makes a defect")
    ] = 6.0


class Measure(Section):
    """Star detection and frame quality."""

    detection_sigma: Annotated[
        float, Field(gt=2, description="Detection threshold in sigma of the smoothed frame")
    ] = 5.0
    max_stars: Annotated[int, Field(ge=10, le=20000, description="Brightest stars kept per frame")] = 2000
    trail_sigma: Annotated[
        float,
        Field(ge=6, description="Significance of the light along a straight line that makes it a trail"),
    ] = 7.5
    cell_px: Annotated[int, Field(ge=16, description="Side in pixels of a cell of the coarse sky map")] = 64


class Registration(Section):
    """Placing frames on the grid of the reference frame."""

    reference: Annotated[
        str,
        Field(
            description="Name of the reference light as in frames.csv (another light is taken where red and blue are "
            "exchanged in it); empty: the best frame"
        ),
    ] = ""
    min_matches: Annotated[int, Field(ge=4, description="Fewest matched stars for a frame to be used")] = 6
    max_rms_px: Annotated[
        float, Field(gt=0, description="Largest residual per axis in pixels for a frame to be used")
    ] = 0.5
    align_planes: Annotated[
        bool, Field(description="Take out colour fringes: place each plane by its own image of the stars")
    ] = True


class Integrate(Section):
    """Reconstruction of each plane from its own samples."""

    method: Annotated[
        Literal["auto", "drizzle", "least-squares"],
        Field(
            description="How samples become planes; auto: least squares where the coverage allows, else drops"
        ),
    ] = "auto"
    grid: Annotated[
        Literal["0.5x", "1x", "2x"],
        Field(
            description="Pixels of the stack along one of the reference light: half as many, as many, twice as many"
        ),
    ] = "1x"
    pixfrac: Annotated[
        float | None,
        Field(
            ge=0.1,
            le=2,
            description="Side of a drop over the pixel pitch, asks for drops; unset: from the coverage",
        ),
    ] = None
    weights: Annotated[
        Literal["extended", "point"],
        Field(description="Light for which frames are weighted best: extended (nebulae) or point (stars)"),
    ] = "extended"
    reject_sigma: Annotated[float, Field(gt=2, description="Rejection threshold in sigma of one sample")] = (
        4.5
    )
    gradient_tolerance: Annotated[
        float,
        Field(ge=0, description="Share of the local range of the reference added to the rejection threshold"),
    ] = 0.7
    min_transparency: Annotated[
        float,
        Field(
            ge=0, lt=1, description="Frames with less light than this share of a usual frame are set aside"
        ),
    ] = 0.25
    sky_order: Annotated[
        int, Field(ge=0, le=4, description="Order of the polynomial for sky differences between frames")
    ] = 2


class Evidence(Section):
    """What is measured on the lights of the finished stack; commands of these names do the same later."""

    channels: Annotated[bool, Field(description="Tell what every channel contributed")] = True
    claims: Annotated[bool, Field(description="Test claims on the lights")] = True


class Run(Section):
    """How and where the work is done; no field here changes a pixel."""

    threads: Annotated[int, Field(ge=0, description="Worker threads; 0: all cores")] = 0
    memory_gb: Annotated[
        float, Field(ge=0.5, description="Most memory of a run in GB; with little, fewer threads work")
    ] = 2.0
    cluster: Annotated[
        str, Field(description="Dask scheduler that hands out the work, as tcp://host:8786; empty: none")
    ] = ""
    keep_sums: Annotated[
        bool,
        Field(
            description="Keep the sums of the stack, so that run --add integrates new lights alone; they take 0.1 to "
            "0.9 GB for a million pixels"
        ),
    ] = False
    keep_work: Annotated[
        bool,
        Field(
            description="Keep decoded frames and layers of the stack after a run; masters and measurements always stay"
        ),
    ] = False


class Recipe(Section):
    """All settings of a run."""

    read: Read = Read()
    lights: Lights = Lights()
    calibrate: Calibrate = Calibrate()
    measure: Measure = Measure()
    registration: Registration = Registration()
    integrate: Integrate = Integrate()
    finish: Finish = Finish()
    evidence: Evidence = Evidence()
    gear: Gear = Gear()
    sky: Sky = Sky()
    lines: Lines = Lines()
    run: Run = Run()


def loads(text: str, source: str = "recipe") -> Recipe:
    """Recipe from TOML text; ``source`` is the name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key (the nearest known key is named) or a value out of bounds.
    """
    return from_toml(Recipe, text, known_fields(), source)


def with_settings(recipe: Recipe, settings: Iterable[str]) -> Recipe:
    """Recipe with ``section.field=value`` settings applied, values written as in TOML (bare words are text).

    Parameters
    ----------
    recipe : Recipe
        Stays as it is.
    settings : iterable of str

    Raises
    ------
    RecipeError
        A setting that there is not, whose value cannot be used, or that is given twice with different values.

    Examples
    --------
    >>> with_settings(Recipe(), ["integrate.pixfrac=0.8", "read.mosaic=GBRG"]).integrate.pixfrac
    0.8
    """
    data = recipe.model_dump()
    given: dict[str, str] = {}
    for setting in settings:
        name, mark, value = (part.strip() for part in setting.partition("="))
        if not mark or "." not in name:
            raise RecipeError(setting, None, _full_form(name, value), "setting")
        first = given.setdefault(name, value)
        if value != first and _alone(name, value) != _alone(name, first):
            raise RecipeError(name, None, f"given twice, as {first} and as {value}; give it once", "setting")
        _put(data, name, value)
    return validated(Recipe, data, known_fields(), "setting")


def _put(data: dict[str, Any], name: str, value: str) -> None:
    """Set one value in the data of a recipe; where a name goes through a value that is no section, it replaces it."""
    *sections, key = name.split(".")
    for section in sections:
        inside = data.get(section)
        data[section] = data = inside if isinstance(inside, dict) else {}
    data[key] = value_of(value)


def _alone(name: str, value: str) -> Recipe:
    """Recipe with one setting, to compare values however they are written."""
    data: dict[str, Any] = {}
    _put(data, name, value)
    return validated(Recipe, data, known_fields(), "setting")


def _full_form(name: str, value: str) -> str:
    """How a setting that lacks its section or its value is written."""
    known = [f"{section}.{key}" for section, key, _ in fields() if name in (key, f"{section}.{key}")]
    example = f"{known[0]}={value or 'VALUE'}" if known else "integrate.pixfrac=0.8"
    return f"write it as section.field=value, such as {example}"


def known_fields() -> list[str]:
    """Dotted names of all settings, and of the sections."""
    names = [f"{section}.{key}" for section, key, _ in fields()]
    return names + sorted(name for name, _ in sections())


def sections() -> Iterator[tuple[str, type[Section]]]:
    """Dotted name and model of every section, those within another after it."""
    return _within(Recipe, "")


def _within(model: type[Section], above: str) -> Iterator[tuple[str, type[Section]]]:
    for key, field in model.model_fields.items():
        inside = field.annotation
        if isinstance(inside, type) and issubclass(inside, Section):
            yield f"{above}{key}", inside
            yield from _within(inside, f"{above}{key}.")


def fields() -> Iterator[tuple[str, str, Any]]:
    """Dotted section, key and declaration of every setting, in their order."""
    inside = dict(sections())
    for section, model in inside.items():
        for key, field in model.model_fields.items():
            if f"{section}.{key}" not in inside:
                yield section, key, field
