"""What the picture is made from: three channels on the part of the stack that enough frames cover."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import gaps, starlet, window
from fourlight.core.cfa import COLOURS
from fourlight.core.spare import Spare
from fourlight.errors import StageError
from fourlight.stages.canvas import Canvas, Window, bands, some

__all__ = ["Channels", "Sheet", "gather", "without_gaps"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

NONE = np.float32(0)
# Figures below were chosen on simulated fields and their truth, see docs/finish.md.
LIT = np.float32(0.3)
"""Light of stars over the noise of a pixel from which halves may differ by more than noise once it is off: 0.15 and 1.5
do as well."""
MOST = np.float32(3)
"""Half the difference of two halves over the noise of their mean that is noise at most."""


@dataclass(frozen=True, slots=True)
class Channels:
    """Three images with what belongs to them, in memory; lists follow `COLOURS`."""

    image: list[Float32]
    variance: list[Float32]
    halves: tuple[list[Float32], list[Float32]] | None
    covered: Bool
    lit: Float32 | None = None
    """1 where light of stars was taken off the halves that stood out, 0 elsewhere."""

    @property
    def arrays(self) -> list[Float32]:
        """All images and variances."""
        first, second = self.halves or ([], [])
        return [*self.image, *self.variance, *first, *second]


@dataclass(slots=True)
class Sheet:
    """The channels of the whole picture, which may be mapped files; lists follow `COLOURS`."""

    image: list[Float32]
    """Without gaps."""
    variance: list[Float32]
    halves: tuple[list[Float32], list[Float32]] | None
    """NaN where they hold nothing."""
    under: list[Float32]
    """The image as the halves are, not sharpened, which stands in where they hold nothing."""
    covered: Bool
    gains: Float64 = field(default_factory=lambda: np.ones(3))
    """What light is multiplied by, per channel."""
    levels: Float64 = field(default_factory=lambda: np.zeros(3))
    """What is taken off it before, per channel."""
    off: list[Float32] | None = None
    """Light of stars in the image, which is not in its parts."""
    half_off: list[Float32] | None = None
    """The same in the halves and below them, see `take_off`."""
    skies: list[tuple[float, float]] = field(default_factory=list)
    """Of each channel, beside that light: mean of both halves above what is below them, half of what they differ by."""

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return self.image[0].shape[0], self.image[0].shape[1]

    def take_off(self, light: list[Float32], *, bare: bool = False) -> None:
        """Have light of stars no more in the parts of the sheet; of ``bare`` images it is off already.

        Parameters
        ----------
        light : (3,) list of (ny, nx) float32
            Finite, without gains.
        bare : bool
        """
        self.off, self.half_off, self.skies = (None if bare else light), light, []
        for k, (first, second) in enumerate(zip(*self.halves, strict=True) if self.halves else ()):
            a, b, under = (some(image) for image in (first, second, self.under[k]))
            sky = np.isfinite(a + b) & ~_shone(some(light[k]), some(self.variance[k]))
            mean, apart = (a + b)[sky] / 2 - under[sky], (a - b)[sky] / 2
            self.skies.append((float(np.median(mean)), float(np.median(apart))) if sky.any() else (0.0, 0.0))

    def part(self, part: tuple[slice, slice], spare: Spare) -> Channels:
        """Channels of a part without stars, levels off, all light times the gains, in spare arrays."""
        gains = [np.float32(gain) for gain in self.gains]
        levels = [np.float32(level) for level in self.levels]

        def times(image: Float32, gain: np.float32, level: np.float32 = NONE) -> Float32:
            here = image[part]
            if not level:
                return np.multiply(here, gain, out=spare.take(here.shape))
            out = np.subtract(here, level, out=spare.take(here.shape))
            return np.multiply(out, gain, out=out)

        image = [
            times(image, gain, level) for image, gain, level in zip(self.image, gains, levels, strict=True)
        ]
        if self.off is not None:
            for plane, light, gain in zip(image, self.off, gains, strict=True):
                plane -= light[part] * gain
        shone = None
        if self.half_off is not None:
            pairs = zip(self.half_off, self.variance, strict=True)
            shone = [_shone(light[part], variance[part]) for light, variance in pairs]
        return Channels(
            image,
            [times(variance, gain**2) for variance, gain in zip(self.variance, gains, strict=True)],
            self._pair(part, spare, shone),
            self.covered[part],
            None if shone is None else np.asarray(np.any(shone, axis=0), dtype=np.float32),
        )

    def _pair(
        self, part: tuple[slice, slice], spare: Spare, shone: list[Bool] | None
    ) -> tuple[list[Float32], list[Float32]] | None:
        """The halves of a part, as its image is; ``shone`` is that of each channel."""
        if self.halves is None:
            return None
        pair: tuple[list[Float32], list[Float32]] = ([], [])
        for k, (gain, level) in enumerate(zip(self.gains, self.levels, strict=True)):
            under, variance = self.under[k][part], self.variance[k][part]
            a, b = _confirming(
                self.halves[0][k][part],
                self.halves[1][k][part],
                under,
                np.float32(gain),
                np.float32(level),
                spare,
            )
            if self.half_off is not None and shone is not None:
                mean, apart = (np.float32(gain * each) for each in self.skies[k])
                light = self.half_off[k][part] * np.float32(gain)
                rest = (under - np.float32(level)) * np.float32(gain) - light + mean
                most = MOST * np.float32(gain) * np.sqrt(variance)
                _take_off(light, a, b, rest, (apart - most, apart + most), shone[k])
            pair[0].append(a)
            pair[1].append(b)
        return pair

    def some_variance(self) -> list[Float32]:
        """Variances times the gains at `fourlight.stages.canvas.some` pixels."""
        return [some(v) * np.float32(gain) ** 2 for v, gain in zip(self.variance, self.gains, strict=True)]

    def some_light(self) -> list[Float32]:
        """Images times the gains at the same pixels."""
        return [some(image) * np.float32(gain) for image, gain in zip(self.image, self.gains, strict=True)]


def _shone(light: Float32, variance: Float32) -> Bool:
    """Where light of stars that was taken off the halves stood out of the noise."""
    return np.asarray(np.square(light) > LIT**2 * variance)


def _take_off(
    light: Float32, a: Float32, b: Float32, rest: Float32, ends: tuple[Float32, Float32], shone: Bool
) -> None:
    """Take light off both halves, in place; where it shone, half of what they differ by is held between two ends.

    Seeing was not the same in both, and what is left of a star is not noise: it may be far more.
    """
    a -= light
    b -= light
    apart = np.clip((a - b) / 2, *ends)
    np.copyto(a, rest + apart, where=shone)
    np.copyto(b, rest - apart, where=shone)


def _confirming(
    first: Float32, second: Float32, under: Float32, gain: np.float32, level: np.float32, spare: Spare
) -> tuple[Float32, Float32]:
    """Two halves, level off, times their gain; where one of them holds no light, neither can confirm the other."""
    a, b = spare.take(first.shape), spare.take(first.shape)
    for rows in bands(a.shape):
        both = np.isfinite(np.add(first[rows], second[rows], out=a[rows]))
        np.multiply(first[rows], gain, out=a[rows])
        np.multiply(second[rows], gain, out=b[rows])
        if not both.all():
            alone = ~both
            a[rows][alone] = b[rows][alone] = under[rows][alone] * gain
        if level:
            for half in (a, b):
                half[rows] -= level * gain
    return a, b


def gather(
    planes: Mapping[str, Float32],
    variances: Mapping[str, Float32],
    halves: tuple[Mapping[str, Float32], Mapping[str, Float32]] | None,
    notes: list[str],
    canvas: Canvas,
) -> tuple[Sheet, tuple[int, int, int, int]]:
    """Crop to what is covered, stand in for an empty plane, close gaps."""
    live = [name for name in COLOURS if np.isfinite(some(planes[name])).mean() > 0.01]
    if not live:
        raise StageError(
            "finish", None, "no plane of the stack holds pixels", "the picture needs at least one"
        )
    covered = _well_covered([planes[name] for name in live], [variances[name] for name in live], canvas)
    frame = _window(covered, notes)
    part = (slice(frame[0], frame[1]), slice(frame[2], frame[3]))
    stand_in = {name: name if name in live else ("G" if "G" in live else live[0]) for name in COLOURS}
    notes.extend(
        f"The {name} plane holds no pixels; {other} stands in for it, so the colours mean little."
        for name, other in stand_in.items()
        if name != other
    )
    sources = [stand_in[name] for name in COLOURS]
    whole = {name: without_gaps(planes[name][part], canvas) for name in live}
    spread = {name: without_gaps(variances[name][part], canvas) for name in live}
    image = [whole[name] for name in sources]
    pair = None
    if halves is not None:
        first, second = ([half[name][part] for name in sources] for half in halves)
        pair = (first, second)
    return Sheet(image, [spread[name] for name in sources], pair, image, covered[part]), frame


def without_gaps(plane: Float32, canvas: Canvas) -> Float32:
    """The plane, or where it has gaps a copy in which they are filled from what is around them."""
    rows = 256
    if all(np.isfinite(plane[y : y + rows]).all() for y in range(0, len(plane), rows)):
        return plane
    return gaps.fill_gaps(plane, canvas.new(plane.shape))


def _well_covered(planes: list[Float32], variances: list[Float32], canvas: Canvas) -> Bool:
    """Pixels where every plane is defined and no noisier than three times what its light explains."""
    usual = [_usual_variance(plane, variance) for plane, variance in zip(planes, variances, strict=True)]
    out = np.empty(planes[0].shape, dtype=bool)

    def fill(window: Window) -> None:
        light = [plane[window.outer] for plane in planes]
        noise = [variance[window.outer] for variance in variances]
        covered = np.ones(light[0].shape, dtype=bool)
        for rows in bands(covered.shape):
            for plane, variance, explained in zip(light, noise, usual, strict=True):
                here = plane[rows]
                with np.errstate(invalid="ignore"):
                    covered[rows] &= np.isfinite(here) & ~(variance[rows] > 9 * explained(here))
        # single gaps inside (a rejected sample, a hole of sparse colours) are closed later, not cropped away
        smooth = starlet.smooth_step(covered.astype(np.float32), 1)
        out[window.inner] = (covered | (smooth > 0.6))[window.cut]

    canvas.each(out.shape, fill, reach=4, pixel_bytes=40)
    return out


def _usual_variance(plane: Float32, variance: Float32) -> Callable[[Float32], Float32]:
    """Variance of fully covered pixels by their light: that of the sky and a share of the light above it."""
    plane, variance = some(plane), some(variance)
    known = np.isfinite(plane) & np.isfinite(variance)
    if not known.any():
        return lambda light: np.full_like(light, np.inf)
    sky, usual = float(np.median(plane[known])), float(np.median(variance[known]))
    above = np.maximum(plane - np.float32(sky), 0)
    bright = known & (above > 10 * np.sqrt(usual))
    if bright.sum() >= 20:
        # of faint light, variance says more of how many frames cover it: the brightest tenth tells what light adds
        bright &= above >= np.quantile(above[bright], 0.9)
    share = np.median((variance[bright] - usual) / above[bright]) if bright.any() else 0.0
    share = max(float(share), 0.0)

    def explained(light: Float32) -> Float32:
        beyond = np.maximum(light - np.float32(sky), 0)
        return np.asarray(max(usual, 1e-30) + share * beyond, dtype=np.float32)

    return explained


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
