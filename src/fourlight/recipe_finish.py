"""Settings of the picture, one section for each step that makes it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from fourlight.settings import Section

__all__ = [
    "LOOKS",
    "Colour",
    "Denoise",
    "Files",
    "Finish",
    "Frame",
    "Gradient",
    "Look",
    "Luminance",
    "Sharpen",
    "Stars",
    "Stretch",
]


class Look(Section):
    """How bold a picture is; what every look takes for settings that are not given."""

    background: float
    bright: float
    saturation: float
    contrast: float


LOOKS = {
    "plain": Look(background=0.08, bright=0.58, saturation=1.0, contrast=0.0),
    "clear": Look(background=0.09, bright=0.68, saturation=1.3, contrast=0.15),
    "rich": Look(background=0.08, bright=0.74, saturation=1.6, contrast=0.35),
    "bold": Look(background=0.06, bright=0.80, saturation=2.0, contrast=0.6),
}
"""From restrained to bold."""


EDGES = ("x0", "y0", "x1", "y1")
"""Edges of the part of a stack that a picture shows: first column and row, and those after the last."""


class Gradient(Section):
    """The light of the sky, which is taken off."""

    use: Annotated[
        bool, Field(description="Take off a surface that follows the sky; false: one level each channel")
    ] = True
    order: Annotated[int, Field(ge=0, le=4, description="Order of the surface")] = 2


class Sharpen(Section):
    """Stars and detail made narrower, as far as the half stacks confirm it."""

    use: Annotated[
        bool, Field(description="Sharpen with the measured profile of the stars, where they are wide enough")
    ] = True
    strength: Annotated[
        float, Field(ge=0, le=1, description="Share of what the halves confirm that is added")
    ] = 1.0


class Colour(Section):
    """What is white."""

    use: Annotated[bool, Field(description="Balance the channels; false: as the sensor counted them")] = True
    white: Annotated[
        Literal["auto", "field"],
        Field(
            description="auto: a star of colour sky.white_b_v where catalogue stars tell of it, else the typical star "
            "of the field; field: always that one"
        ),
    ] = "auto"


class Luminance(Section):
    """What brightness is made of."""

    use: Annotated[
        bool,
        Field(description="Weight channels by what they tell of the object; false: all count alike"),
    ] = True


class Denoise(Section):
    """Detail that the half stacks do not confirm."""

    use: Annotated[bool, Field(description="Smooth away what the halves do not confirm")] = True
    strength: Annotated[
        float, Field(ge=0, le=1, description="Share of unconfirmed detail that is smoothed away")
    ] = 0.9


class Stars(Section):
    """Stars and the rest, apart."""

    light: Annotated[
        float,
        Field(
            ge=0,
            le=1,
            description="Share of the light of stars that is shown; 0 takes them off, 0.4 makes them one magnitude "
            "fainter",
        ),
    ] = 1.0


class Stretch(Section):
    """From light to brightness; what is not given is that of the look."""

    background: Annotated[
        float | None,
        Field(gt=0, lt=0.5, description="Brightness of the empty sky; white is 1. Unset: that of the look"),
    ] = None
    bright: Annotated[
        float | None,
        Field(
            gt=0.2, lt=0.97, description="Brightness of the object's bright parts. Unset: that of the look"
        ),
    ] = None
    saturation: Annotated[
        float | None,
        Field(ge=0, le=3, description="Strength of colour; 1 keeps measured ratios. Unset: that of the look"),
    ] = None
    contrast: Annotated[
        float | None,
        Field(
            ge=0,
            le=2,
            description="Local contrast added to the brightness of the object. Unset: that of the look",
        ),
    ] = None

    def over(self, look: Look) -> Look:
        """The look, with what is given in its place."""
        return look.model_copy(
            update={key: value for key, value in self.model_dump().items() if value is not None}
        )


class Frame(Section):
    """Which part of the stack is shown, and how it is turned."""

    crop: Annotated[
        tuple[int, int, int, int] | None,
        Field(
            description="Edges x0, y0, x1, y1 of the part of the stack, in its pixels. Unset: all that is well covered"
        ),
    ] = None
    orient: Annotated[
        Literal["as-taken", "north-up"],
        Field(
            description="north-up: quarter turns that bring north up and east left, as far as they can; takes a plate "
            "solution"
        ),
    ] = "as-taken"

    @field_validator("crop", mode="before")
    @classmethod
    def _four_edges(cls, crop: Any) -> Any:
        """Four values, before each is read by itself."""
        if crop is None or (isinstance(crop, (list, tuple)) and len(crop) == len(EDGES)):
            return crop
        found = f"{len(crop)} are given" if isinstance(crop, (list, tuple)) else "no list is given"
        raise ValueError(
            f"must be [{', '.join(EDGES)}], four whole numbers such as [40, 20, 380, 260]; {found}"
        )

    @field_validator("crop")
    @classmethod
    def _in_order(cls, crop: tuple[int, int, int, int] | None) -> tuple[int, int, int, int] | None:
        """Edges of which the second is beyond the first."""
        if crop is None or (crop[0] < crop[2] and crop[1] < crop[3]):
            return crop
        given = ", ".join(f"{name} = {value}" for name, value in zip(EDGES, crop, strict=True))
        raise ValueError(f"{given}; [{', '.join(EDGES)}] with x0 less than x1 and y0 less than y1 are needed")


class Files(Section):
    """Files of the picture."""

    jpeg_quality: Annotated[int, Field(ge=50, le=100, description="Quality of picture.jpg")] = 93
    web_px: Annotated[
        int,
        Field(
            ge=200, le=20000, description="Longer side of picture-web.jpg, made where the picture is larger"
        ),
    ] = 2048
    linear: Annotated[
        bool,
        Field(
            description="Write picture.fits too: the light that is shown, before the curve, as floating point numbers, "
            "and where stars are shown fainter the same without any"
        ),
    ] = False
    wide: Annotated[
        bool, Field(description="Write picture-wide.tif too, in the wider range of colours of Display P3")
    ] = False


class Finish(Section):
    """The picture."""

    look: Annotated[Literal["plain", "clear", "rich", "bold"], Field(description="How bold it is")] = "clear"
    gradient: Gradient = Gradient()
    sharpen: Sharpen = Sharpen()
    colour: Colour = Colour()
    luminance: Luminance = Luminance()
    denoise: Denoise = Denoise()
    stars: Stars = Stars()
    stretch: Stretch = Stretch()
    frame: Frame = Frame()
    files: Files = Files()

    @field_validator("stretch")
    @classmethod
    def _brighter_than_the_sky(cls, stretch: Stretch, info: ValidationInfo) -> Stretch:
        """A sky that is shown darker than bright parts of the object, whichever of both the look tells."""
        look = LOOKS.get(info.data.get("look", ""))
        shown = stretch.over(look) if look else None
        if shown and shown.background >= shown.bright:
            given = f"background {shown.background:g} and bright {shown.bright:g}"
            raise ValueError(f"{given}: the sky has to be darker than bright parts of the object")
        return stretch

    @property
    def shown(self) -> Look:
        """The look, with what is given in its place."""
        return self.stretch.over(LOOKS[self.look])
