"""Settings of reading: what frames are, where their headers are wrong or silent."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from fourlight.settings import Section

__all__ = ["Mosaic", "Read"]


def _spelled(name: object) -> object:
    """A mosaic pattern in any case."""
    if not isinstance(name, str):
        return name
    return name.lower() if name.lower() == "auto" else name.upper()


Mosaic = Annotated[Literal["auto", "RGGB", "BGGR", "GRBG", "GBRG"], BeforeValidator(_spelled)]


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
    camera_profile: Annotated[
        str,
        Field(
            description="Camera profile (camera.toml of fourlight camera measure) whose gain and read noise are used; "
            "empty: none"
        ),
    ] = ""
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
