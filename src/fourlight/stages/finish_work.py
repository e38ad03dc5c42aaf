"""A picture on its way through its steps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.stretch import Curve
from fourlight.frames import StarList
from fourlight.recipe_finish import Finish
from fourlight.stages.canvas import Canvas
from fourlight.stages.coverage import Sheet
from fourlight.stages.display import Field
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.gradient import Empty
from fourlight.stages.picture_parts import Seen, Shelf, Source

__all__ = ["Work"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(slots=True)
class Work:
    """A picture on its way through the steps."""

    source: Source
    settings: Finish
    canvas: Canvas
    seen: Seen
    shelf: Shelf
    sheet: Sheet
    stars: StarList
    """On the window."""
    points: Field
    """The same as the picture needs them."""
    notes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)
    empty: Empty = field(init=False)
    tops: Float64 = field(init=False)
    """(n, 3) brightest pixel of each star."""
    weights: Float64 = field(init=False)
    noise: float = field(init=False)
    """Of the brightness of empty sky, before it is smoothed."""
    image: list[Float32] = field(init=False)
    """Balanced channels."""
    profiles: Profiles = field(init=False)
    """Of the stars, before anything is made sharper."""
    light: dict[str, Float32] | None = None
    """Of stars, before anything is made sharper; see `fourlight.stages.star_light.light_of_stars`."""
    bare: Sheet | None = None
    """The sheet without any stars, where that is wanted."""
    starless: list[Float32] | None = None
    misfit: float = field(init=False)
    """Of the source, or what sharpening makes of it."""
    taken: Float32 | None = None
    curve: Curve = field(init=False)
    lift: Float32 | None = None
    """Brightness that local contrast adds."""

    def __post_init__(self) -> None:
        self.misfit = self.source.misfit
