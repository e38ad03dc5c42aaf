"""Detail that the halves do not confirm taken away: from brightness, and from colour relative to brightness."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import shrinkage
from fourlight.core.samples import spread
from fourlight.stages.canvas import Canvas, Window
from fourlight.stages.coverage import Channels, Sheet
from fourlight.stages.display import mix

__all__ = ["smoothed", "smoothed_sheet"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SCALES = 5
"""Detail scales that are smoothed: structure up to about 60 px."""

FLOOR = 30.0
"""Light added below colour ratios, in sigma of the brightness: the noise of the sky must stay small in them."""

REACH = 208
"""Pixels around a place that shape it: all the scales one after another, and the means of their noise, take 203."""

PIXEL_BYTES = 280
"""Memory taken per pixel."""

SAMPLE_PX = 512
"""Side of the parts on which the noise of a picture is looked at."""


@dataclass(slots=True)
class Levels:
    """Numbers of a whole picture that the smoothing of its parts needs."""

    floor: np.float32
    """Light added below colour ratios."""
    known: dict[tuple[str, int], float] = field(default_factory=dict)
    """Noise of the halves over the expected noise by what is smoothed and scale, once it is settled."""
    seen: dict[tuple[str, int], list[Float32]] = field(default_factory=dict)

    def of(self, name: str) -> shrinkage.Level:
        """The level of one image that is smoothed: what is known, else that of the part at hand, which is kept."""

        def level(ratio: Float32, scale: int) -> float:
            if (name, scale) in self.known:
                return self.known[name, scale]
            self.seen.setdefault((name, scale), []).append(ratio.ravel())
            return shrinkage.usual(ratio, scale)

        return level

    def settle(self) -> None:
        """Take the levels of all parts seen so far together."""
        self.known = {key: shrinkage.usual(np.concatenate(parts), key[1]) for key, parts in self.seen.items()}
        self.seen.clear()


def _floor(variances: list[Float32], weights: Float64) -> np.float32:
    return np.float32(max(FLOOR * float(np.sqrt(np.median(mix(variances, weights**2)))), 1e-20))


def smoothed(
    channels: Channels, weights: Float64, strength: float, misfit: float = 0.0, levels: Levels | None = None
) -> list[Float32]:
    """R, G and B with unconfirmed detail taken away.

    Brightness and two colours are smoothed apart, since colours carry less signal and more of their noise is
    recognised as such. Colours are smoothed as differences over brightness: seeing that changed between the
    halves cancels, and what is smeared around a star is its hue, not its light.

    Parameters
    ----------
    channels : Channels
        Balanced, sky off, finite everywhere.
    weights : (3,) float64
        Share of each channel in the brightness.
    strength : float
        1 takes all unconfirmed detail away, 0 none.
    misfit : float
        Share of the local range of a channel by which it may be wrong beside its noise. Halves share that error, so
        that they cannot tell it from detail; finest colours below it go.
    levels : Levels, optional
        Of the whole picture, where the channels are a part of it.
    """
    levels = levels or Levels(_floor(channels.variance, weights))
    variance, floor = mix(channels.variance, weights**2), levels.floor
    whole = mix(channels.image, weights)
    pair = None if channels.halves is None else tuple(mix(half, weights) for half in channels.halves)
    brightness = shrinkage.confirmed(
        whole, None if pair is None else (pair[0], pair[1]), variance, strength=strength, scales=SCALES,
        level=levels.of("brightness"),
    )  # fmt: skip
    whole = _above(whole, floor)
    pair = None if pair is None else tuple(_above(half, floor) for half in pair)
    light = _above(brightness, floor)
    ranges = [spread(image) for image in channels.image]

    def colour(index: int) -> Float32:
        """Difference of a channel to green, smoothed over brightness."""

        def parts(images: list[Float32], below: Float32) -> tuple[Float32, Float32]:
            return _hues(images[index] - images[1], below)

        both = np.add(channels.variance[index], channels.variance[1], dtype=np.float32)
        noise = np.divide(both, np.square(whole), dtype=np.float32)
        wide, fine = parts(channels.image, whole)
        steep = np.square(np.float32(misfit) * (ranges[index] + ranges[1]) / whole)
        most = shrinkage.kept_share(fine, None, steep, 0, strength)
        ratios = None
        if channels.halves is not None and pair is not None:
            (wide_a, fine_a), (wide_b, fine_b) = (
                parts(channels.halves[0], pair[0]),
                parts(channels.halves[1], pair[1]),
            )
            said = shrinkage.kept_share(
                fine, (fine_a, fine_b), noise, 0, strength, levels.of(f"fine {index}")
            )
            kept = np.minimum(most, said).astype(np.float32)
            ratios = (wide_a + kept * fine_a, wide_b + kept * fine_b)
        else:
            kept = np.minimum(most, shrinkage.kept_share(fine, None, noise, 0, strength)).astype(np.float32)
        ratio = wide + kept * fine
        level = levels.of(f"colour {index}")
        return np.asarray(
            light * shrinkage.confirmed(ratio, ratios, noise, strength=strength, scales=SCALES, level=level)
        )

    red, blue = colour(0), colour(2)
    green = brightness - np.float32(weights[0]) * red - np.float32(weights[2]) * blue
    return [green + red, green, green + blue]


def smoothed_sheet(
    sheet: Sheet, weights: Float64, strength: float, misfit: float, canvas: Canvas
) -> list[Float32]:
    """`smoothed` of a whole picture, part by part; the result does not depend on the parts."""
    levels = Levels(_floor(sheet.some_variance(), weights))
    for part in _samples(sheet.shape):
        smoothed(sheet.part(part), weights, strength, misfit, levels)
    levels.settle()
    out = [canvas.new(sheet.shape) for _ in range(3)]

    def work(window: Window) -> None:
        made = smoothed(sheet.part(window.outer), weights, strength, misfit, levels)
        for image, part in zip(out, made, strict=True):
            image[window.inner] = part[window.cut]

    canvas.each(sheet.shape, work, reach=REACH, pixel_bytes=PIXEL_BYTES)
    return out


def _samples(shape: tuple[int, int]) -> list[tuple[slice, slice]]:
    """Parts of a picture on which its noise is looked at: all of a small one, else nine spread over it."""

    def along(length: int) -> list[slice]:
        count = min(3, -(-length // SAMPLE_PX))
        starts = np.linspace(0, max(length - SAMPLE_PX, 0), count).astype(int).tolist()
        return [slice(start, min(start + SAMPLE_PX, length)) for start in starts]

    return [(rows, columns) for rows in along(shape[0]) for columns in along(shape[1])]


def _hues(difference: Float32, below: Float32) -> tuple[Float32, Float32]:
    """Ratio smoothed by the light in it, over the pixel pitch of one colour, and what is finer than that."""
    wide = np.asarray(
        shrinkage.smooth_step(difference, 0) / shrinkage.smooth_step(below, 0), dtype=np.float32
    )
    return wide, np.asarray(difference / below - wide, dtype=np.float32)


def _above(brightness: Float32, floor: np.float32) -> Float32:
    return np.maximum(brightness, np.float32(0)) + floor
