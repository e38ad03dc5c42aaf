"""Detail that the halves do not confirm taken away: from brightness, and from colour relative to brightness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import shrinkage
from fourlight.core.hue import hue_parts
from fourlight.core.samples import spread
from fourlight.core.spare import Spare
from fourlight.stages.canvas import Canvas, Window, bands
from fourlight.stages.coverage import Channels, Sheet
from fourlight.stages.display import mix
from fourlight.stages.smoothing_levels import Levels, samples

__all__ = ["SCALES", "smoothed", "smoothed_sheet"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FLOOR = 30.0
"""Light added below colour ratios, in sigma of the brightness: the noise of the sky must stay small in them."""

SCALES = 5
"""Detail scales that are smoothed: structure up to about 60 px."""

REACH = 224
"""Pixels around a place that shape it: all the scales one after another, and the means of their noise, take 215."""

PIXEL_BYTES = 176
"""Memory taken per pixel."""


def _floor(variances: list[Float32], weights: Float64) -> np.float32:
    return np.float32(max(FLOOR * float(np.sqrt(np.median(mix(variances, weights**2)))), 1e-20))


def smoothed(
    channels: Channels, weights: Float64, strength: float, misfit: float = 0.0, levels: Levels | None = None,
    spare: Spare | None = None, taken: Float32 | None = None,
) -> list[Float32]:  # fmt: skip
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
    spare : Spare, optional
        Where arrays are taken from, the results too.
    taken : (ny, nx) float32, optional
        Filled with the share of the noise of the brightness that is taken away, in power.
    """
    levels, spare = levels or Levels(_floor(channels.variance, weights)), spare or Spare()
    light, halves = _lights(channels, weights, spare)
    variance = mix(channels.variance, weights**2, spare)
    brightness = shrinkage.confirmed(
        light, halves, variance, strength=strength, scales=SCALES, level=levels.of("brightness"), spare=spare,
        caps=levels.caps("brightness"), taken=taken, lit=channels.lit,
    )  # fmt: skip
    spare.give(variance)
    below = _below(light, halves, levels.floor)
    hues = []
    for index, steep in zip((0, 2), _steep(channels, misfit), strict=True):
        noise = _hue_noise(channels, index, below.whole, spare)
        ratio, ratios = _ratios(channels, index, below, noise, steep, strength, levels, spare)
        hues.append(
            shrinkage.confirmed(
                ratio, ratios, noise, strength=strength, scales=SCALES, level=levels.of(f"colour {index}"),
                spare=spare, caps=levels.caps(f"colour {index}"), lit=channels.lit,
            )
        )  # fmt: skip
        spare.give(noise, ratio, *(ratios or ()))
    spare.give(below.whole, *(below.halves or ()))
    return _coloured(brightness, hues, weights, levels.floor)


def _look(
    channels: Channels, weights: Float64, strength: float, misfit: float, levels: Levels, spare: Spare
) -> None:
    """Keep the levels of a part, of which nothing else is wanted; once they are settled, judge it."""
    judged = levels.seen is None
    light, halves = _lights(channels, weights, spare)
    if halves is None or strength <= 0:
        return
    variance = mix(channels.variance, weights**2, spare)
    if judged:
        levels.judge("brightness", halves, variance, SCALES, spare, channels.lit)
    else:
        shrinkage.told_levels(halves, variance, scales=SCALES, level=levels.of("brightness"), spare=spare)
    below = _below(light, halves, levels.floor)
    for index, steep in zip((0, 2), _steep(channels, misfit), strict=True):
        noise = _hue_noise(channels, index, below.whole, spare)
        if judged:
            own = _own_ratios(channels, index, below, noise, steep, levels, spare)
            levels.judge(f"colour {index}", own, noise, SCALES, spare, channels.lit)
            spare.give(noise, *own)
            continue
        ratio, ratios = _ratios(channels, index, below, noise, steep, strength, levels, spare)
        assert ratios is not None
        shrinkage.told_levels(ratios, noise, scales=SCALES, level=levels.of(f"colour {index}"), spare=spare)
        spare.give(noise, ratio, *ratios)
    spare.give(light, variance, *halves)


@dataclass(frozen=True, slots=True)
class _Below:
    """Light that colours are ratios to: of the whole, and of each half."""

    whole: Float32
    halves: tuple[Float32, Float32] | None


def _lights(
    channels: Channels, weights: Float64, spare: Spare
) -> tuple[Float32, tuple[Float32, Float32] | None]:
    """All channels together: of the whole, and of each half."""
    light = mix(channels.image, weights, spare)
    if channels.halves is None:
        return light, None
    first, second = (mix(half, weights, spare) for half in channels.halves)
    return light, (first, second)


def _below(light: Float32, halves: tuple[Float32, Float32] | None, floor: np.float32) -> _Below:
    """From brightness, which is changed in place."""
    for image in (light, *(halves or ())):
        np.maximum(image, np.float32(0), out=image)
        image += floor
    return _Below(light, halves)


def _steep(channels: Channels, misfit: float) -> Iterator[Float32]:
    """Error of the red and of the blue difference to green where light is steep."""
    green = spread(channels.image[1])
    for index in (0, 2):
        steep = spread(channels.image[index])
        steep += green
        steep *= np.float32(misfit)
        yield steep


def _hue_noise(channels: Channels, index: int, below: Float32, spare: Spare) -> Float32:
    """Variance of the difference of a channel to green over brightness."""
    noise = spare.take(below.shape)
    for rows in bands(below.shape):
        np.add(channels.variance[index][rows], channels.variance[1][rows], out=noise[rows])
        noise[rows] /= np.square(below[rows])
    return noise


def _ratios(
    channels: Channels, index: int, below: _Below, noise: Float32, steep: Float32, strength: float, levels: Levels,
    spare: Spare,
) -> tuple[Float32, tuple[Float32, Float32] | None]:  # fmt: skip
    """Ratio of a colour to brightness in the whole and in the halves, without its finest detail that is not sure."""
    _relative(steep, below)
    whole = hue_parts(channels.image[index], channels.image[1], below.whole, spare)
    kept = shrinkage.kept_share(whole[1], None, steep, 0, strength, spare=spare)
    if channels.halves is None or below.halves is None:
        said = shrinkage.kept_share(whole[1], None, noise, 0, strength, spare=spare)
        np.minimum(kept, said, out=kept)
        spare.give(said)
        return _sum(whole, kept, spare), None
    first, second = (
        hue_parts(half[index], half[1], light, spare)
        for half, light in zip(channels.halves, below.halves, strict=True)
    )
    fine = (first[1], second[1])
    said = shrinkage.kept_share(whole[1], fine, noise, 0, strength, levels.of(f"fine {index}"), spare)
    np.minimum(kept, said, out=kept)
    spare.give(said)
    found = _sum(whole, kept, spare), (_sum(first, kept, spare), _sum(second, kept, spare))
    spare.give(kept)
    return found


def _relative(steep: Float32, below: _Below) -> None:
    """Error of a difference, in place, as the variance of that over brightness."""
    for rows in bands(steep.shape):
        steep[rows] /= below.whole[rows]
        np.square(steep[rows], out=steep[rows])


def _own_ratios(
    channels: Channels,
    index: int,
    below: _Below,
    noise: Float32,
    steep: Float32,
    levels: Levels,
    spare: Spare,
) -> tuple[Float32, Float32]:
    """Ratios of both halves, each without finest detail of which it is not sure by itself."""
    assert channels.halves is not None
    assert below.halves is not None
    _relative(steep, below)
    known = noise * np.float32(levels.of_half(f"fine {index}"))
    np.maximum(known, steep, out=known)
    found = []
    for half, light in zip(channels.halves, below.halves, strict=True):
        parts = hue_parts(half[index], half[1], light, spare)
        kept = shrinkage.kept_share(parts[1], None, known, 0, 1.0, spare=spare)
        found.append(_sum(parts, kept, spare))
        spare.give(kept)
    return found[0], found[1]


def _sum(parts: tuple[Float32, Float32], kept: Float32, spare: Spare) -> Float32:
    """Wide part and what is kept of the fine one, in its place."""
    wide, fine = parts
    for rows in bands(fine.shape):
        fine[rows] *= kept[rows]
        fine[rows] += wide[rows]
    spare.give(wide)
    return fine


def _coloured(brightness: Float32, hues: list[Float32], weights: Float64, floor: np.float32) -> list[Float32]:
    """R, G and B from brightness and the differences of R and B to G over it, in the place of these."""
    red, blue = hues
    for rows in bands(brightness.shape):
        light = np.maximum(brightness[rows], np.float32(0)) + floor
        for hue, weight in ((red[rows], weights[0]), (blue[rows], weights[2])):
            hue *= light
            brightness[rows] -= np.float32(weight) * hue
        red[rows] += brightness[rows]
        blue[rows] += brightness[rows]
    return [red, brightness, blue]


def _found(sheet: Sheet, weights: Float64, strength: float, misfit: float) -> Levels:
    """Levels of a picture, and what its halves say of them, from samples of it."""
    levels, spare = Levels(_floor(sheet.some_variance(), weights), seen={}), Spare()
    for settled in (False, True):
        for part in samples(sheet.shape):
            channels = sheet.part(part, spare)
            _look(channels, weights, strength, misfit, levels, spare)
            spare.give(*channels.arrays)
        if not settled:
            levels.settle()
    return levels


def smoothed_sheet(
    sheet: Sheet,
    weights: Float64,
    strength: float,
    misfit: float,
    canvas: Canvas,
    taken: Float32 | None = None,
    levels: Levels | None = None,
) -> tuple[list[Float32], Levels]:
    """`smoothed` of a whole picture, part by part, and what was found on it; neither depends on the parts.

    ``levels`` are what was found on the same picture without its stars.
    """
    levels = levels or _found(sheet, weights, strength, misfit)
    out = [canvas.new(sheet.shape) for _ in range(3)]

    def work(window: Window) -> None:
        spare = Spare()  # parts differ in size: what one leaves would be of no use to the next
        channels = sheet.part(window.outer, spare)
        share = None if taken is None else spare.take(channels.image[0].shape)
        made = smoothed(channels, weights, strength, misfit, levels, spare, share)
        for image, part in zip(out, made, strict=True):
            image[window.inner] = part[window.cut]
        if taken is not None and share is not None:
            taken[window.inner] = share[window.cut]

    canvas.each(sheet.shape, work, reach=REACH, pixel_bytes=PIXEL_BYTES)
    return out, levels
