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

PIXEL_BYTES = 155
"""Memory taken per pixel."""

SAMPLE_PX = 512
"""Side of the parts on which the noise of a picture is looked at."""

KEPT = 30_000
"""Ratios kept of a part: their median is known to one per cent, that of nine parts to a third of that."""


@dataclass(slots=True)
class Levels:
    """Numbers of a whole picture that the smoothing of its parts needs."""

    floor: np.float32
    """Light added below colour ratios."""
    known: dict[tuple[str, int], float] = field(default_factory=dict)
    """Noise of the halves over the expected noise by what is smoothed and scale, once it is settled."""
    seen: dict[tuple[str, int], list[Float32]] | None = None
    """Ratios of parts from which it will be known; None: they are not kept."""

    def of(self, name: str) -> shrinkage.Level:
        """The level of one image that is smoothed: what is known, else that of the part at hand, which is kept."""

        def level(ratio: Float32, scale: int) -> float:
            if (name, scale) in self.known:
                return self.known[name, scale]
            if self.seen is not None:
                step = int(np.ceil(np.sqrt(ratio.size / KEPT)))
                self.seen.setdefault((name, scale), []).append(ratio[::step, ::step].ravel())
            return shrinkage.usual(ratio, scale)

        return level

    def settle(self) -> None:
        """Take the levels of all parts seen so far together."""
        seen, self.seen = self.seen or {}, None
        self.known = {key: shrinkage.usual(np.concatenate(parts), key[1]) for key, parts in seen.items()}


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
    brightness = _brightness(channels, weights, strength, levels)
    below = _Below(
        _above(mix(channels.image, weights), levels.floor),
        None if channels.halves is None else tuple(
            _above(mix(half, weights), levels.floor) for half in channels.halves
        ),
    )  # fmt: skip
    light = _above(brightness, levels.floor)
    red, blue = (light * _hue(channels, index, below, strength, misfit, levels) for index in (0, 2))
    green = brightness - np.float32(weights[0]) * red - np.float32(weights[2]) * blue
    return [green + red, green, green + blue]


@dataclass(frozen=True, slots=True)
class _Below:
    """Light that colours are ratios to: of the whole, and of each half."""

    whole: Float32
    halves: tuple[Float32, ...] | None


def _brightness(channels: Channels, weights: Float64, strength: float, levels: Levels) -> Float32:
    """All channels together, smoothed."""
    pair = None
    if channels.halves is not None:
        pair = (mix(channels.halves[0], weights), mix(channels.halves[1], weights))
    return shrinkage.confirmed(
        mix(channels.image, weights), pair, mix(channels.variance, weights**2), strength=strength, scales=SCALES,
        level=levels.of("brightness"),
    )  # fmt: skip


def _hue(
    channels: Channels, index: int, below: _Below, strength: float, misfit: float, levels: Levels
) -> Float32:
    """Difference of a channel to green over brightness, smoothed."""
    noise = np.add(channels.variance[index], channels.variance[1], dtype=np.float32)
    noise /= np.square(below.whole)
    ratio, ratios = _ratios(channels, index, below, noise, strength, misfit, levels)
    return shrinkage.confirmed(
        ratio, ratios, noise, strength=strength, scales=SCALES, level=levels.of(f"colour {index}")
    )


def _ratios(
    channels: Channels, index: int, below: _Below, noise: Float32, strength: float, misfit: float, levels: Levels
) -> tuple[Float32, tuple[Float32, Float32] | None]:  # fmt: skip
    """Ratio of a colour to brightness in the whole and in the halves, without its finest detail that is not sure."""

    def parts(images: list[Float32], light: Float32) -> tuple[Float32, Float32]:
        return _hues(images[index] - images[1], light)

    steep = np.float32(misfit) * (spread(channels.image[index]) + spread(channels.image[1]))
    steep /= below.whole
    wide, fine = parts(channels.image, below.whole)
    kept = shrinkage.kept_share(fine, None, np.square(steep, out=steep), 0, strength)
    del steep
    if channels.halves is None or below.halves is None:
        np.minimum(kept, shrinkage.kept_share(fine, None, noise, 0, strength), out=kept)
        return wide + kept * fine, None
    halves = [parts(images, light) for images, light in zip(channels.halves, below.halves, strict=True)]
    said = shrinkage.kept_share(
        fine, (halves[0][1], halves[1][1]), noise, 0, strength, levels.of(f"fine {index}")
    )
    np.minimum(kept, said, out=kept)
    first, second = (rough + kept * sharp for rough, sharp in halves)
    return wide + kept * fine, (first, second)


def smoothed_sheet(
    sheet: Sheet, weights: Float64, strength: float, misfit: float, canvas: Canvas
) -> list[Float32]:
    """`smoothed` of a whole picture, part by part; the result does not depend on the parts."""
    levels = Levels(_floor(sheet.some_variance(), weights), seen={})
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
