"""The section of the recipe that names camera, filter and optics: what light came through."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from fourlight.settings import Section

__all__ = ["Gear"]


class Gear(Section):
    """Camera and filter, by whose curves colours of stars are told, and emission lines."""

    camera: Annotated[
        str,
        Field(
            description="Camera of 'fourlight camera list', or a CSV file with its curves; empty: not known, and "
            "colours of stars are in the standard RGB system"
        ),
    ] = ""
    filter: Annotated[
        str,
        Field(
            description="Filter of 'fourlight filter list', or a CSV file; empty: that of the lights' headers"
        ),
    ] = ""
    f_ratio: Annotated[
        float | None,
        Field(ge=0.7, description="Focal length over aperture; unset: that of the lights' headers"),
    ] = None
