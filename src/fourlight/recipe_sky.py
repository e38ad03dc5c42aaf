"""The section of the recipe on the place of the stack on the sky, and on the colours of its stars."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from fourlight.settings import Section

__all__ = ["Sky"]


class Sky(Section):
    """Where the stack is on the sky, and the colours of its catalogue stars."""

    solve: Annotated[
        Literal["auto", "off"],
        Field(
            description="auto: find the place where header or recipe name one near it, and the scale; off: never"
        ),
    ] = "auto"
    place: Annotated[
        str,
        Field(
            description="A place near the middle, J2000: degrees (83.82,-5.39) or hours and degrees "
            "(5:35:17,-5:23:28); empty: header"
        ),
    ] = ""
    scale_arcsec: Annotated[
        float | None,
        Field(
            gt=0,
            le=3600,
            description="Arcsec per pixel of the lights, to 10 %; unset: from pixel size and focal length",
        ),
    ] = None
    white_b_v: Annotated[
        float, Field(ge=-0.3, le=1.4, description="B-V of the star that is white; 0.653 is that of the Sun")
    ] = 0.653
