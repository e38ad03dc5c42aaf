"""The recipe: the only settings model. Everything a user can choose is declared here, once.

The command line (``--set section.field=value``), the TOML file, the reference page in ``docs/`` and later the
web form are generated from these classes. Unknown keys are refused with the nearest known key named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from fourlight.errors import RecipeError
from fourlight.settings import Section, from_toml, validated
from fourlight.toml_text import value_of

__all__ = ["Recipe", "fields", "known_fields", "loads", "with_settings"]


def _spelled(name: object) -> object:
    """A mosaic pattern in any case."""
    if not isinstance(name, str):
        return name
    return name.lower() if name.lower() == "auto" else name.upper()


Mosaic = Annotated[Literal["auto", "RGGB", "BGGR", "GRBG", "GBRG"], BeforeValidator(_spelled)]
Use = Literal["auto", "off"]


class Read(Section):
    """What the frames are, where headers are wrong or silent."""

    mosaic: Annotated[
        Mosaic, Field(description="Mosaic pattern in array order; auto: header, checked on pixels")
    ] = "auto"
    filter: Annotated[
        str, Field(description="Use only lights with this filter name; empty: the largest group")
    ] = ""
    mix_kinds: Annotated[
        bool,
        Field(
            description="Integrate lights of one filter together though camera, size or gain setting differ; "
            "false: only the kind exposed longest"
        ),
    ] = True
    gain_e_per_adu: Annotated[
        float | None, Field(gt=0, description="Gain in electrons per ADU; unset: measured or header")
    ] = None
    read_noise_e: Annotated[
        float | None, Field(ge=0, description="Read noise in electrons; unset: measured or header")
    ] = None
    black_adu: Annotated[
        float | None, Field(ge=0, description="Level of no light in ADU; unset: bias, dark or header")
    ] = None
    saturation_adu: Annotated[
        float | None, Field(gt=0, description="Level of a full sample in ADU; unset: header or number type")
    ] = None
    longitude_deg: Annotated[
        float | None,
        Field(
            ge=-180,
            le=360,
            description="Longitude, degrees east, to split nights at local noon; unset: header",
        ),
    ] = None


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
        Use, Field(description="auto: find defective samples from the lights and darks; off: keep all")
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
    min_matches: Annotated[int, Field(ge=3, description="Fewest matched stars for a frame to be used")] = 6
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


class Finish(Section):
    """The automatic picture."""

    gradient_order: Annotated[
        int, Field(ge=0, le=4, description="Order of the sky surface that is taken off the picture")
    ] = 2
    background: Annotated[
        float, Field(gt=0, lt=0.5, description="Brightness of the empty sky in the picture; white is 1")
    ] = 0.09
    saturation: Annotated[
        float, Field(ge=0, le=3, description="Strength of colour; 1 keeps measured ratios")
    ] = 1.3
    smoothing: Annotated[
        float, Field(ge=0, le=1, description="Share of unconfirmed detail that is smoothed away")
    ] = 0.9
    jpeg_quality: Annotated[int, Field(ge=50, le=100, description="JPEG quality")] = 93


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
    calibrate: Calibrate = Calibrate()
    measure: Measure = Measure()
    registration: Registration = Registration()
    integrate: Integrate = Integrate()
    finish: Finish = Finish()
    evidence: Evidence = Evidence()
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
        section, dot, key = name.partition(".")
        if not mark or not dot:
            raise RecipeError(setting, None, _full_form(name, value), "setting")
        first = given.setdefault(name, value)
        if value != first and _alone(section, key, value) != _alone(section, key, first):
            raise RecipeError(name, None, f"given twice, as {first} and as {value}; give it once", "setting")
        data.setdefault(section, {})[key] = value_of(value)
    return validated(Recipe, data, known_fields(), "setting")


def _alone(section: str, key: str, value: str) -> Recipe:
    """Recipe with one setting, to compare values however they are written."""
    return validated(Recipe, {section: {key: value_of(value)}}, known_fields(), "setting")


def _full_form(name: str, value: str) -> str:
    """How a setting that lacks its section or its value is written."""
    known = [f"{section}.{key}" for section, key, _ in fields() if name in (key, f"{section}.{key}")]
    example = f"{known[0]}={value or 'VALUE'}" if known else "integrate.pixfrac=0.8"
    return f"write it as section.field=value, such as {example}"


def known_fields() -> list[str]:
    """Dotted names of all settings, and of the sections."""
    names = [f"{section}.{key}" for section, key, _ in fields()]
    return names + sorted(Recipe.model_fields)


def fields() -> Iterator[tuple[str, str, Any]]:
    """Section, key and declaration of every setting, in their order."""
    for section, info in Recipe.model_fields.items():
        model = info.annotation
        assert isinstance(model, type)
        assert issubclass(model, Section)
        for key, field in model.model_fields.items():
            yield section, key, field
