"""What the picture is made from: three channels on the part of the stack that enough frames cover."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import shrinkage, window
from fourlight.errors import StageError

__all__ = ["CHANNELS", "Channels", "gather"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

CHANNELS = ("R", "G", "B")


@dataclass(frozen=True, slots=True)
class Channels:
    """Three images on the window with what belongs to them; lists follow `CHANNELS`."""

    image: list[Float32]
    variance: list[Float32]
    halves: tuple[list[Float32], list[Float32]] | None
    covered: Bool

    def scaled(self, factors: Float64) -> Channels:
        """All light times a factor per channel."""
        gains = [np.float32(factor) for factor in factors]

        def times(images: list[Float32], power: int) -> list[Float32]:
            return [image * gain**power for image, gain in zip(images, gains, strict=True)]

        halves = None if self.halves is None else (times(self.halves[0], 1), times(self.halves[1], 1))
        return Channels(times(self.image, 1), times(self.variance, 2), halves, self.covered)


def gather(
    planes: Mapping[str, Float32],
    variances: Mapping[str, Float32],
    halves: tuple[Mapping[str, Float32], Mapping[str, Float32]] | None,
    notes: list[str],
) -> tuple[Channels, tuple[int, int, int, int]]:
    """Crop to what is covered, stand in for an empty plane, close gaps."""
    live = [name for name in CHANNELS if np.isfinite(planes[name]).mean() > 0.01]
    if not live:
        raise StageError(
            "finish", None, "no plane of the stack holds pixels", "the picture needs at least one"
        )
    covered = _well_covered([planes[name] for name in live], [variances[name] for name in live])
    frame = _window(covered, notes)
    part = (slice(frame[0], frame[1]), slice(frame[2], frame[3]))
    stand_in = {name: name if name in live else ("G" if "G" in live else live[0]) for name in CHANNELS}
    notes.extend(
        f"The {name} plane holds no pixels; {other} stands in for it, so the colours mean little."
        for name, other in stand_in.items()
        if name != other
    )
    sources = [stand_in[name] for name in CHANNELS]
    image = [shrinkage.fill_gaps(planes[name][part]) for name in sources]
    variance = [shrinkage.fill_gaps(variances[name][part]) for name in sources]
    pair = None
    if halves is not None:
        first, second = ([half[name][part] for name in sources] for half in halves)
        for k, whole in enumerate(image):
            # where one half holds no light, neither can confirm the other
            alone = ~(np.isfinite(first[k]) & np.isfinite(second[k]))
            first[k], second[k] = (np.where(alone, whole, half[k]) for half in (first, second))
        pair = (first, second)
    return Channels(image, variance, pair, covered[part]), frame


def _well_covered(planes: list[Float32], variances: list[Float32]) -> Bool:
    """Pixels where every plane is defined and no noisier than three times what its light explains."""
    covered = np.isfinite(planes[0])
    for plane, variance in zip(planes, variances, strict=True):
        with np.errstate(invalid="ignore"):
            covered &= np.isfinite(plane) & ~(variance > 9 * _usual_variance(plane, variance))
    # single gaps inside (a rejected sample, a hole of sparse colours) are closed later, not cropped away
    smooth = shrinkage.smooth_step(covered.astype(np.float32), 1)
    return np.asarray(covered | (smooth > 0.6))


def _usual_variance(plane: Float32, variance: Float32) -> Float32:
    """Variance of fully covered pixels: that of the sky and a share of the light above it (photon noise)."""
    known = np.isfinite(plane) & np.isfinite(variance)
    if not known.any():
        return np.full_like(plane, np.inf)
    sky, usual = float(np.median(plane[known])), float(np.median(variance[known]))
    above = np.maximum(plane - np.float32(sky), 0)
    bright = known & (above > 10 * np.sqrt(usual))
    share = np.median((variance[bright] - usual) / above[bright]) if bright.sum() >= 20 else 0.0
    return np.asarray(max(usual, 1e-30) + max(float(share), 0.0) * above, dtype=np.float32)


def _window(covered: Bool, notes: list[str]) -> tuple[int, int, int, int]:
    if covered.all() or not covered.any():
        return 0, covered.shape[0], 0, covered.shape[1]
    y0, y1, x0, x1 = window.largest_rectangle(covered)
    ny, nx = covered.shape
    if (y1 - y0) * (x1 - x0) >= 0.6 * covered.sum():
        if (y1 - y0) * (x1 - x0) < 0.995 * ny * nx:
            notes.append(
                f"The picture shows the well-covered {x1 - x0} x {y1 - y0} px of the {nx} x {ny} px stack."
            )
        return y0, y1, x0, x1
    notes.append("Parts that no frame or too few frames cover are faded to the brightness of the sky.")
    return window.bounding_box(covered)
