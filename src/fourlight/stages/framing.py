"""Which part of the stack a picture shows, and how it is turned: whole pixels and quarter turns, which lose nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError

__all__ = ["UPRIGHT", "Framing", "framed"]

Picture = npt.NDArray[Any]

SMALLEST_PX = 16
_MIRROR = np.array([[-1.0, 0.0], [0.0, 1.0]])
_QUARTER = np.array([[0.0, 1.0], [-1.0, 0.0]])
UPRIGHT = 45.0
"""Degrees that north can be off the upper edge at most after quarter turns."""


@dataclass(frozen=True, slots=True)
class Framing:
    """Part and turn of a picture."""

    window: tuple[int, int, int, int]
    """y0, y1, x0, x1 of the stack (half open)."""
    quarters: int = 0
    """Quarter turns against the clock, after the mirror."""
    mirrored: bool = False
    """Whether left and right are exchanged."""

    @classmethod
    def of(cls, picture: Mapping[str, Any]) -> Self:
        """That of a picture, from what ``summary.json`` tells of it."""
        y0, y1, x0, x1 = picture["window"]
        return cls((y0, y1, x0, x1), int(picture.get("quarters", 0)), bool(picture.get("mirrored", False)))

    @property
    def placing(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """(2, 2) turn and (2,) shift: pixel x, y of the picture = turn @ (x, y of the stack) + shift."""
        y0, y1, x0, x1 = self.window
        turn, shift, across, down = np.eye(2), np.array([-x0, -y0], dtype=np.float64), x1 - x0, y1 - y0
        if self.mirrored:
            turn, shift = _MIRROR @ turn, _MIRROR @ shift + [across - 1, 0]
        for _ in range(self.quarters % 4):
            turn, shift = _QUARTER @ turn, _QUARTER @ shift + [0, across - 1]
            across, down = down, across
        return turn, shift

    def part(self, whole: tuple[int, int, int, int], image: Picture) -> Picture:
        """The window, turned, of an image of another part of the stack that holds it, reduced or not."""
        down, across = image.shape[0] / (whole[1] - whole[0]), image.shape[1] / (whole[3] - whole[2])
        y0, y1 = (round(down * (y - whole[0])) for y in self.window[:2])
        x0, x1 = (round(across * (x - whole[2])) for x in self.window[2:])
        return self.turned(image[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)])

    def turned(self, image: Picture) -> Picture:
        """An image of the window as it lies in the stack, mirrored and turned."""
        return np.rot90(image[:, ::-1] if self.mirrored else image, self.quarters)

    def straight(self, image: Picture) -> Picture:
        """A turned image as it lies in the stack."""
        back = np.rot90(image, -self.quarters)
        return back[:, ::-1] if self.mirrored else back


def framed(
    whole: tuple[int, int, int, int],
    crop: Sequence[int] | None,
    sky: Mapping[str, Any] | None,
    *,
    north_up: bool,
) -> tuple[Framing, list[str]]:
    """Part and turn of a picture, and what is to be said of them.

    Parameters
    ----------
    whole : (int, int, int, int)
        y0, y1, x0, x1 of the stack that could be shown.
    crop : sequence of int or None
        x0, y0, x1, y1 of the stack that are wanted.
    sky : mapping or None
        What ``summary.json`` tells of the plate solution.
    north_up : bool
        Whether north is to be up, as far as quarter turns bring it there, and east on its left.

    Raises
    ------
    InputError
        Nothing is left of the picture.
    """
    y0, y1, x0, x1 = whole
    if crop is not None:
        y0, y1, x0, x1 = max(y0, crop[1]), min(y1, crop[3]), max(x0, crop[0]), min(x1, crop[2])
        if min(y1 - y0, x1 - x0) < SMALLEST_PX:
            raise InputError(
                f"finish.frame.crop: {','.join(map(str, crop))} leaves {max(x1 - x0, 0)} x {max(y1 - y0, 0)} px of the "
                f"picture, which shows {whole[2]},{whole[0]},{whole[3]},{whole[1]} of the stack; "
                f"{SMALLEST_PX} x {SMALLEST_PX} px at least are needed"
            )
    window = (y0, y1, x0, x1)
    said = _beyond(crop, whole, window)
    if not north_up:
        return Framing(window), said
    if sky is None:
        said.append("It is not turned: where north is, is not known; run fourlight solve first.")
        return Framing(window), said
    # +y runs down: its position angle is that of the lower edge
    up = (float(sky["rotation_deg"]) + 180.0) % 360.0
    quarters = round(up / 90.0) % 4
    off = (up - 90.0 * quarters + 180.0) % 360.0 - 180.0
    side = (
        "on the upper edge" if abs(off) < 0.05 else f"{abs(off):.1f}° {'right' if off > 0 else 'left'} of up"
    )
    said.append(f"North is {side}, east on its left.")
    return Framing(window, quarters, not sky["mirrored"]), said


def _beyond(
    crop: Sequence[int] | None, whole: tuple[int, int, int, int], window: tuple[int, int, int, int]
) -> list[str]:
    """That less is shown than is asked for, where a crop goes beyond the picture."""
    y0, y1, x0, x1 = window
    if crop is None or tuple(crop) == (x0, y0, x1, y1):
        return []
    held = f"{whole[2]},{whole[0]},{whole[3]},{whole[1]}"
    said = f"The crop {','.join(map(str, crop))} goes beyond the picture, which shows {held} of the stack"
    return [f"{said}: {x0},{y0},{x1},{y1} is shown, {x1 - x0} x {y1 - y0} px."]
