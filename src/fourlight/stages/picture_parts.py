"""What a picture is made from, what it is, and who looks on while it is made."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from fourlight.core.stretch import Curve
from fourlight.frames import StarList
from fourlight.stages.balance import White

__all__ = ["Made", "Picture", "Seen", "Shelf", "Source", "always_made", "unseen"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Made:
    """What a step that takes long made."""

    arrays: list[Float32]
    facts: dict[str, Any]
    """For the report; values that JSON holds."""


class Seen(Protocol):
    """Is told the channels, above the sky, after a step."""

    def __call__(self, step: str, planes: list[Float32], mixture: Float64 | None = None) -> None:
        """Look at channels, or at mixtures of them.

        Parameters
        ----------
        step : str
            ``stack`` is what the first one begins with.
        planes : three (ny, nx) float32
        mixture : (3, 3) float64 or None
            What each channel that is shown holds of each of them; None: the channels themselves.
        """


Shelf = Callable[[str, Callable[[], Made]], Made]
"""Gives what a step makes: what it has kept, or what that function makes."""


def unseen(step: str, planes: list[Float32], mixture: Float64 | None = None) -> None:
    """Nobody looks."""


def always_made(step: str, make: Callable[[], Made]) -> Made:
    """Nothing is kept."""
    return make()


@dataclass(frozen=True, slots=True)
class Source:
    """What a picture is made from."""

    planes: Mapping[str, Float32]
    """R, G, B: (ny, nx) float32, linear, sky included or not; NaN where no frame covers. They may be mapped files."""
    variances: Mapping[str, Float32]
    halves: tuple[Mapping[str, Float32], Mapping[str, Float32]] | None
    """Independent half stacks; without them smoothing relies on the variances, and nothing is sharpened."""
    stars: StarList | None
    """At positions of the stack."""
    misfit: float = 0.0
    """Share of the local range by which planes may be wrong beside their noise, see `fourlight.stages.way.misfit`."""
    white: White | None = None
    """What catalogue stars say of white."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A finished picture."""

    rgb: Float32
    """(ny, nx, 3) float32, sRGB-encoded, 0 to 1, finite everywhere."""
    notes: Mapping[str, tuple[str, ...]]
    """What was decided in every step, in sentences for the report; under ``stack`` what holds for all."""
    window: tuple[int, int, int, int]
    """``y0, y1, x0, x1`` (half open): the part of the stack that the picture shows."""
    weights: Float64
    """Share of R, G and B in the brightness."""
    curve: Curve
    wide: Float32 | None
    """The same in Display P3, where the recipe asks for it."""
    light: list[Float32]
    """R, G, B that the curve shows: balanced light above the sky."""
    starless: list[Float32] | None
    """The same without stars, where the recipe asks for fewer of them."""
    taken: Float32 | None
    """(ny, nx) share of the noise power of the brightness that was smoothed away; None: nothing was."""
    facts: Mapping[str, Any]
    """What was measured in the steps, by their names."""
    covered: npt.NDArray[np.bool_]
    """(ny, nx) where enough frames cover it: elsewhere light is a guess, and faded."""
