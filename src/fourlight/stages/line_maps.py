"""Maps of kinds of light from the planes of a stack: sky off, weights of the expected light, channels unmixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import starlet
from fourlight.core.background import Surface
from fourlight.core.cfa import COLOURS
from fourlight.core.unmix import pairs, unmix
from fourlight.errors import InputError
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.empty_sky import EmptySky, empty_sky, star_masks
from fourlight.stages.line_kinds import Telling
from fourlight.stages.region_samples import StackReader

__all__ = ["LineMaps", "Planes", "expected_variances", "line_maps", "planes_above_sky"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

REACH = 6
"""Pixels around a place whose variances are averaged."""


@dataclass(frozen=True, slots=True, eq=False)
class Planes:
    """Planes of a stack above its sky."""

    values: list[Float32]
    """Of `COLOURS`, (ny, nx) each; NaN where nothing covers."""
    variances: list[Float32]
    sky: EmptySky
    sky_error: Float64
    """(c,) standard error of the level that was taken off."""
    near_stars: Bool
    """(ny, nx)"""

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return self.values[0].shape[0], self.values[0].shape[1]

    def cells(self, which: Bool) -> Bool:
        """Pixels (ny, nx) of chosen cells of the sky, without those near stars."""
        side = self.sky.side
        wide = np.repeat(np.repeat(which, side, axis=0), side, axis=1)[: self.shape[0], : self.shape[1]]
        return np.asarray(wide & ~self.near_stars)

    def usual_variance(self, where: Bool | None = None) -> Float64:
        """(c,) median variance of pixels, of some of them where they are named and there are any."""
        found = []
        for variance in self.variances:
            values, chosen = some(variance), None if where is None else some(where)
            known = np.isfinite(values) & (values > 0)
            if chosen is not None and (known & chosen).any():
                known &= chosen
            found.append(float(np.median(values[known])) if known.any() else np.nan)
        return np.array(found)


def planes_above_sky(layers: StackReader, stars: StarList, canvas: Canvas, name: str) -> Planes:
    """Planes of a stack less their empty sky: its continuum is no light of lines.

    Parameters
    ----------
    layers : StackReader
    stars : StarList
        At their places on the stack.
    canvas : Canvas
    name : str
        Of the stack, for errors.

    Raises
    ------
    InputError
        A channel holds nothing, or no pixel holds all of them.
    """
    values = {c: layers.read(c, "value") for c in COLOURS}
    empty = [c for c, value in values.items() if not np.isfinite(some(value)).any()]
    if empty:
        raise InputError(
            f"{name}: its plane {', '.join(empty)} holds no pixel; lines are told apart by red, green and blue, so "
            "lights of a colour camera that cover all three are needed"
        )
    gone = ~np.logical_and.reduce([np.isfinite(value) for value in values.values()])
    if gone.all():
        raise InputError(f"{name}: no pixel holds red, green and blue; run more or dithered lights")
    masks = star_masks(stars, gone.shape)
    sky = empty_sky(values, masks.near | gone)
    noise = {c: _sky_error(values[c], sky, sky.surfaces[c]) for c in COLOURS}
    above = [_less(values[c], sky.surfaces[c], canvas) for c in COLOURS]
    return Planes(
        above, [layers.read(c, "variance") for c in COLOURS], sky, np.array([noise[c] for c in COLOURS]),
        masks.near | gone,
    )  # fmt: skip


def _sky_error(value: Float32, sky: EmptySky, surface: Surface) -> float:
    """Standard error of the mean of the empty sky, from how its cells scatter around the surface."""
    side, levels = sky.side, []
    for j, i in np.argwhere(sky.use):
        part = (slice(j * side, (j + 1) * side), slice(i * side, (i + 1) * side))
        cell = value[part] - surface.image(part)
        known = cell[np.isfinite(cell)]
        if known.size:
            levels.append(float(np.median(known)))
    return float(np.std(levels) / np.sqrt(len(levels))) if levels else float("nan")


def _less(image: Float32, surface: Surface, canvas: Canvas) -> Float32:
    out = canvas.new(image.shape)

    def fill(window: Window) -> None:
        np.subtract(image[window.inner], surface.image(window.inner), out=out[window.inner])

    canvas.each(out.shape, fill, pixel_bytes=24)
    return out


def expected_variances(variances: Sequence[Float32], window: Window) -> Float32:
    """Variances (c, ...) of a part that expected light would have: means over some fifty pixels around each.

    The variance of a pixel follows its own noisy light, by which it must not be weighed; a mean over so many holds 2 %
    of that.
    """
    found = []
    for variance in variances:
        part = np.array(variance[window.outer], dtype=np.float32)
        known = np.isfinite(part) & (part > 0)
        part[~known] = np.median(part[known]) if known.any() else np.float32(1)
        found.append(starlet.smoothed(part, 2)[window.cut])
    return np.stack(found)


@dataclass(frozen=True, slots=True, eq=False)
class LineMaps:
    """Light of each kind that was solved for, in electrons of a mean sample of the mosaic."""

    columns: tuple[str, ...]
    light: dict[str, Float32]
    """(ny, nx) each, NaN where a channel is missing."""
    covariance: dict[tuple[str, str], Float32]
    """(ny, nx) for every two kinds, also of each with itself."""

    def variance(self, name: str) -> Float32:
        """(ny, nx) of one kind of light; with the meaning of that of the planes."""
        return self.covariance[name, name]


def line_maps(sets: Sequence[Planes], telling: Telling, canvas: Canvas) -> LineMaps:
    """Unmix the channels of all sets, part by part.

    Parameters
    ----------
    sets : sequence of Planes
        On one grid, in the order of the rows of the matrix.
    telling : Telling
    canvas : Canvas
    """
    shape, count = sets[0].shape, len(telling.columns)
    values = [value for each in sets for value in each.values]
    variances = [variance for each in sets for variance in each.variances]
    told = pairs(count)
    light, covariance = ([canvas.new(shape) for _ in range(n)] for n in (count, len(told)))
    # One photon of each kind gives its column; light in electrons of a mean sample divides it by that.
    matrix = telling.matrix / telling.units

    def fill(window: Window) -> None:
        y, v = (
            np.stack([np.asarray(layer[window.inner], dtype=np.float32) for layer in layers])
            for layers in (values, variances)
        )
        x, c = unmix(y, v, expected_variances(variances, window), matrix)
        for k in range(count):
            light[k][window.inner] = x[k]
        for n in range(len(told)):
            covariance[n][window.inner] = c[n]

    canvas.each(shape, fill, reach=REACH, pixel_bytes=20 * len(values) + 8 * len(told))
    names = telling.columns
    return LineMaps(
        names,
        dict(zip(names, light, strict=True)),
        {(names[i], names[j]): part for (i, j), part in zip(told, covariance, strict=True)},
    )
