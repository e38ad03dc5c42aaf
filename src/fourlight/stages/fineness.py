"""Resolution of each colour plane: how fine the detail is that both half stacks show.

Stars are masked out, those of the list and those that it misses: a single bright star holds more power at fine
frequencies than a whole nebula, and with it the number would tell of the star's light, not of the detail beside it.
What is given is the period (1 / frequency) at which the correlation of the halves falls to 1/7, where the stack
correlates with the truth by one half, and to the half-bit curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.crossing import crossing
from fourlight.core.resolution import MOST, ONE_SEVENTH, Rings, half_bit
from fourlight.core.ringsums import Net, RingSums, pattern_sharing
from fourlight.engine import in_order, nothing
from fourlight.frames import StarList
from fourlight.stages.fineness_windows import Patch, half_window, patches
from fourlight.stages.sampling import CELL, Lights, own_nyquist
from fourlight.stages.star_covers import Covers, Halves, star_covers, star_mask

__all__ = ["UNDITHERED", "WINDOW_BYTES", "Curve", "Fineness", "curves", "fineness", "steps", "without"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Range = tuple[float, float, float]

WINDOW_BYTES = 65e6
"""Memory that one window takes while it is transformed (measured)."""
LEAST_PX = 64
"""Side of the smallest stack whose rings hold enough."""
LEAST_LEFT = 0.05
"""Share of a stack that stars and rims must leave."""
MOST_GAPS = 0.3
"""Share of a half stack's pixels that may be missing where lights lie."""
UNDITHERED = "the lights are not dithered"
"""Beginning of the reason why such lights have no number."""
LEAST_PLACES = 2.0
"""Different places of samples over those of one light, below which halves share the holes between samples."""
DOUBT = 0.5 * ONE_SEVENTH
"""Correlation that a fixed pattern may add at most, one sigma, for a number to be given."""


@dataclass(slots=True)
class Curve:
    """What all windows say of one pair of images."""

    sums: RingSums
    area: float = 0.0
    """Sum over pixels of what weight windows give them, squared."""
    area_squared: float = 0.0
    gaps: list[float] = field(default_factory=list)
    """Share missing in each window, of either half."""

    @property
    def share(self) -> float:
        """Independent Fourier pixels over those of one window."""
        ny, nx = self.sums.net.shape
        return self.area**2 / max(self.area_squared, 1e-30) / (ny * nx)

    @property
    def pattern(self) -> tuple[float, float]:
        """Power of a fixed pattern of one light over the noise of a half, with its standard error."""
        return self.sums.pattern(self.share)

    @property
    def rings(self) -> Rings:
        """The correlation, less that of the pattern."""
        return self.sums.rings(self.share, self.pattern[0])


@dataclass(frozen=True, slots=True)
class Fineness:
    """How fine the detail of a plane is; frequencies in cycles per pixel of the stack."""

    rings: Rings
    half_bit: Float64
    """(n,) threshold of each ring."""
    seventh: Range
    """Frequency at 1/7 and its range (95 %); NaN where `reason` says why there is none."""
    half: Range
    """The same at the half-bit curve."""
    finest: float
    """No more than this is claimed."""
    pattern: tuple[float, float]
    """Power of a fixed pattern of one light over the noise of a half stack, which was taken off, and its error."""
    reason: str = ""
    """Why no number is given; empty where one is."""

    @property
    def at_limit(self) -> bool:
        """Whether detail reaches to the finest that is claimed, so that there may be finer."""
        return bool(self.seventh[0] >= 0.999 * self.finest)


def steps(shape: tuple[int, int]) -> int:
    """How often `fineness` tells how far it is, of a stack of this shape."""
    return 0 if min(shape) < LEAST_PX else 1 + len(patches(shape))


def fineness(
    halves: Halves, stars: StarList, lights: Lights, threads: int = 1, told: Callable[[], None] = nothing
) -> dict[str, Fineness]:
    """Resolution of each plane from its half stacks.

    Parameters
    ----------
    halves : mapping of plane to two (ny, nx) float32
        Half stacks of alternate lights, electrons; NaN where nothing covers. They may be mapped files: windows of
        them are read one after another.
    stars : StarList
        Stars on the grid of the stack; all planes are masked alike, so that they compare.
    lights : Lights
    threads : int
    told : callable
        Called when the stars are found, and after each window; see `steps`.

    Returns
    -------
    dict
        Where the halves share more than the sky, as without dithering, there is a reason and no number.

    Raises
    ------
    ValueError
        Half stacks of different shapes.

    Notes
    -----
    Correlation of halves: Rosenthal & Henderson 2003; half-bit curve: van Heel & Schatz 2005. Nothing finer than two
    thirds of the finest frequency of the samples is claimed: that of the stack's own pixels, or of a square lattice
    with as many samples as fall on different places in the half that has fewer of them.
    """
    shapes = {np.shape(plane) for pair in halves.values() for plane in pair}
    if len(shapes) != 1:
        raise ValueError(f"half stacks of one shape are needed; not {sorted(shapes)}")
    if min(next(iter(shapes))) < LEAST_PX:
        return {name: without(f"the stack is smaller than {LEAST_PX} pixels") for name in halves}
    covers = star_covers(stars, halves, threads)
    told()
    found = curves(halves, covers, lights, threads, told)
    return {name: _judged(name, curve, lights, next(iter(shapes))) for name, curve in found.items()}


def curves(
    halves: Halves, covers: Covers, lights: Lights, threads: int = 1, told: Callable[[], None] = nothing
) -> dict[str, Curve]:
    """Sums over all windows of each pair of images, which need not be halves, with discs masked out."""
    shape = np.shape(next(iter(halves.values()))[0])
    cut = patches((shape[0], shape[1]))
    net = Net.of(cut[0].shape)
    found = {name: Curve(RingSums(net)) for name in halves}
    work = partial(_window, halves, covers, lights, net)
    for parts in in_order(work, cut, threads):
        for name, part in parts.items():
            found[name].sums.absorb(part.sums)
            found[name].area += part.area
            found[name].area_squared += part.area_squared
            found[name].gaps += part.gaps
        told()
    return found


def _window(halves: Halves, covers: Covers, lights: Lights, net: Net, patch: Patch) -> dict[str, Curve]:
    """What one window says of every plane."""
    mask, (ny, nx) = star_mask(patch, covers), patch.shape
    place = lights.places(patch.x + 0.5 * (nx - 1), patch.y + 0.5 * (ny - 1))
    shared = pattern_sharing(patch.shape, place, lights.weight, lights.half, lights.alike())
    rim = np.outer(patch.rows, patch.columns).astype(np.float32)
    found = {}
    for name, pair in halves.items():
        curve = Curve(RingSums(net))
        (first, covered, gaps), (second, also, more) = (half_window(half, patch, mask) for half in pair)
        kept = mask * np.minimum(covered, also)
        weight = rim * kept
        curve.sums.add(first * weight, second * weight, shared)
        squares = weight * weight
        curve.area = float(squares.sum(dtype=np.float64))
        curve.area_squared = float(np.vdot(squares, kept * kept))
        curve.gaps.append(max(gaps, more))
        found[name] = curve
    return found


def _judged(plane: str, curve: Curve, lights: Lights, shape: tuple[int, ...]) -> Fineness:
    """Numbers of a plane, or why there are none."""
    ny, nx = shape
    middle = 0.5 * (nx - 1), 0.5 * (ny - 1)
    places = min(lights.different(plane, *middle)) if len(lights.matrix) > 1 else 0.0
    nyquist, rings = own_nyquist(max(places, 1.0), lights.zoom), curve.rings
    level = half_bit(np.maximum(rings.count, 1.0))
    found = [crossing(rings, threshold, nyquist) for threshold in (ONE_SEVENTH, level)]
    reason = _reason(plane, curve, lights, places, shape) or _doubt(curve, found[0][0])
    if not reason and not np.isfinite(found[0][0]):
        reason = "the halves have no detail in common beside stars"
    seventh, half = ((np.nan,) * 3, (np.nan,) * 3) if reason else (found[0], found[1])
    return Fineness(rings, level, seventh, half, MOST * nyquist, curve.pattern, reason)


def _reason(plane: str, curve: Curve, lights: Lights, places: float, shape: tuple[int, ...]) -> str:
    """What stands against a number, in words; empty where nothing does."""
    fewest, cell = int(np.bincount(lights.half, minlength=2)[:2].min()), CELL.get(plane, 1)
    if places < LEAST_PLACES * cell:
        if fewest < 3:
            return f"too few lights: {fewest} in a half stack, 3 or more are needed"
        return (
            f"{UNDITHERED}, or by whole cells of the mosaic: their samples lie on the same places in"
            " both halves, and what is between them looks alike whatever it is"
        )
    if curve.area < LEAST_LEFT * shape[0] * shape[1]:
        return "stars and rims leave too little of the stack"
    if float(np.mean(curve.gaps)) > MOST_GAPS:
        return f"{100 * float(np.mean(curve.gaps)):.0f} % of the pixels of a half stack are missing"
    return ""


def _doubt(curve: Curve, frequency: float) -> str:
    """Whether a fixed pattern of the sensor could be what the halves have in common; empty where it cannot."""
    if not np.isfinite(frequency):
        return ""
    _, error = curve.pattern
    net = curve.sums.net
    near = np.abs(net.frequency - frequency) < 0.02
    shared = abs(float(np.average(curve.sums.shared()[near], weights=net.pixels[near])))
    if np.isfinite(error) and error * shared < DOUBT:
        return ""
    return "the same sensor pixels lie on the same places in both halves: what they have in common may be the sensor's"


def without(reason: str) -> Fineness:
    """No curve and no number, and why."""
    nothing = np.zeros(0)
    unknown = (float("nan"),) * 3
    return Fineness(
        Rings(nothing, nothing, nothing), nothing, unknown, unknown, float("nan"), (0.0, float("inf")), reason
    )
