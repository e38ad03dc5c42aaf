"""The section of the recipe on emission lines."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from fourlight.settings import Section

__all__ = ["Lines"]


class Lines(Section):
    """Emission lines; `fourlight lines` tells them later, too."""

    tell: Annotated[
        Literal["auto", "off"],
        Field(
            description="auto: tell lines apart where gear.camera names the camera and the filter is one for lines; "
            "off: never"
        ),
    ] = "auto"
