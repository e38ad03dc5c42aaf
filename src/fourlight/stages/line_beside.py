"""A second stack of the same field beside that of the lines: on one grid with it, and on one scale, by its stars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import bending, bends, matching, starcolour
from fourlight.core.cfa import COLOURS
from fourlight.core.leakage import inflation
from fourlight.core.regrid import regridded
from fourlight.errors import InputError
from fourlight.frames import StarList
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import TILT_NM, mixing_matrix
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.line_kinds import CONTINUA
from fourlight.stages.line_maps import Planes
from fourlight.stages.star_choice import full_on_stack

__all__ = ["Beside", "Scale", "beside", "clear_light", "scale_by_stars"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

CLEAR_SNR = 20.0
"""Light of a star over its error, all channels together, from which it tells of the scale."""
APERTURE = 1.8
"""Radius in widths (FWHM): wide enough that another seeing moves a few hundredths of the light across its edge."""
FEWEST = 8
"""Stars from which the scale is told."""
MOST_INFLATION = 100.0
"""Variance of the slope of a star's light over what it would be if its brightness were known, from which on the
channels of a stack tell brightness alone: several bands have 1 to 2, one narrow band a million."""
SAME_PX = 1.0
"""Between places of what both lists call a star."""
NEAR_NM = 40.0
"""Between mean wavelengths of channels for which light of a star is alike, to some per cent."""
STAR_SPREAD = 0.03
"""Part by which light of a star may differ from what is expected beside its noise: its lines, its neighbours."""


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """A stack on the grid of another, and which of their stars are the same."""

    planes: Planes
    source: Int64
    target: Int64
    """Numbers of pairs in the star lists of the first stack, and of the second."""
    rms_px: float
    stars: StarList
    """Those of the first stack, and behind them what the second shows more of, on the first grid."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Light that comes to the second stack for each photon that comes to the first."""

    value: float
    error: float
    """One standard deviation, as a part of it."""
    stars: int


def beside(
    planes: Planes, stars: StarList, first: Planes, first_stars: StarList, canvas: Canvas, name: str
) -> Beside:
    """Planes of a second stack on the grid of the first.

    Parameters
    ----------
    planes, stars
        Of the second stack, on its own grid.
    first, first_stars
        Of the first.
    canvas : Canvas
    name : str
        Of the second stack, for errors.

    Raises
    ------
    InputError
        Their stars do not match, or the second covers nothing of the first.
    """
    bend, source, target, rms = _matched(first_stars, stars, first.shape, planes.shape, name)
    values, variances = (
        [_on_grid(plane, bend, first.shape, canvas, power=power) for plane in layers]
        for layers, power in ((planes.values, False), (planes.variances, True))
    )
    if not any(np.isfinite(some(value)).any() for value in values):
        raise InputError(f"{name}: covers nothing of the field of the lines; name a stack of the same field")
    area = _area(bend, first.shape)
    more = _more_stars(first_stars, stars, (source, target), bend, (first.shape, planes.shape), area)
    laid = Planes(values, variances, first.sky, planes.sky_error * area, first.near_stars)
    return Beside(laid, source, target, rms, more)


def _more_stars(
    first: StarList, second: StarList, pairs: tuple[Int64, Int64], bend: Float64,
    shapes: tuple[tuple[int, int], tuple[int, int]], area: float,
) -> StarList:  # fmt: skip
    """Stars of both lists on the first grid, those of the second as bright and wide as they would be in the first."""
    rest = np.setdiff1d(np.arange(len(second)), pairs[1])
    back = bends.inverse(bend, *shapes)
    x, y = bends.apply(back, second.x[rest], second.y[rest])
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = first.flux[pairs[0]].sum(axis=1) / second.flux[pairs[1]].sum(axis=1)
    ratio, side = float(np.nanmedian(ratios)), 1.0 / np.sqrt(area)
    # a star that only the second list names may stand beside one of the first: both are the same light then
    place = np.column_stack([first.x, first.y])
    alone = np.array([np.hypot(*(place - spot).T).min() > SAME_PX for spot in np.column_stack([x, y])], bool)
    rest, x, y = rest[alone], x[alone], y[alone]
    return StarList(
        np.append(first.x, x), np.append(first.y, y), np.vstack([first.flux, ratio * second.flux[rest]]),
        np.vstack([first.flux_error, ratio * second.flux_error[rest]]),
        np.append(first.fwhm_px, side * second.fwhm_px[rest]),
        np.append(first.elongation, second.elongation[rest]),
        np.append(first.saturated, second.saturated[rest]),
    )  # fmt: skip


def _area(bend: Float64, shape: tuple[int, int]) -> float:
    """Area of a pixel of the first grid in those of the second, over all of it."""
    ny, nx = shape
    x, y = bends.apply(bend, np.array([0.0, nx - 1, 0.0]), np.array([0.0, 0.0, ny - 1]))
    across, down = (np.array([x[k] - x[0], y[k] - y[0]]) for k in (1, 2))
    return float(abs(across[0] * down[1] - across[1] * down[0]) / ((nx - 1) * (ny - 1)))


def _on_grid(
    plane: Float32, bend: Float64, shape: tuple[int, int], canvas: Canvas, *, power: bool
) -> Float32:
    out = canvas.new(shape)

    def fill(window: Window) -> None:
        out[window.inner] = regridded(plane, bend, *window.inner, power=power)

    canvas.each(shape, fill, pixel_bytes=160)
    return out


def _matched(
    first: StarList, second: StarList, shape: tuple[int, int], second_shape: tuple[int, int], name: str
) -> tuple[Float64, Int64, Int64, float]:
    """Map from the first grid to the second, pairs of stars, and their rms residual."""
    source, target = (np.column_stack([each.x, each.y]) for each in (first, second))
    light = np.maximum(first.flux.sum(axis=1), 1e-30)
    error = np.sqrt((first.flux_error**2).sum(axis=1))
    weight = 1.0 / (0.02**2 + (first.fwhm_px / 2.355 * error / light) ** 2)
    weight = np.where(np.isfinite(weight), weight, 1e-6)
    found = matching.match(source, target, weight, size=(shape[1], shape[0]))
    if found is None:
        raise InputError(
            f"{name}: its {len(second)} stars do not match the {len(first)} of the stack with the lines; name a "
            "finished stack of the same field"
        )
    curved = bending.bent(found, source, target, weight, shape[::-1], second_shape[::-1])
    if curved is None:
        return bends.straight(found.matrix), found.source_index, found.target_index, found.rms_px
    return curved.bend, curved.source_index, curved.target_index, curved.rms_px


def clear_light(planes: Planes, stars: StarList, chosen: Int64, room: Float64) -> starcolour.StarLight:
    """Light of some stars in the planes of a stack, NaN for those that may be full or are too faint.

    Parameters
    ----------
    planes, stars
        Of the stack.
    chosen : (n,) int64
        Numbers of the stars.
    room : (c,) float64
        From the sky to the level of full samples, see `fourlight.stages.star_choice.full_on_stack`.
    """
    light = starcolour.colour_light(
        planes.values, planes.variances, stars.x, stars.y, stars.usual_fwhm_px, chosen, APERTURE
    )
    with np.errstate(invalid="ignore"):
        fine = light.flux.sum(axis=1) > CLEAR_SNR * np.sqrt((light.error**2).sum(axis=1))
        fine &= ~full_on_stack(light.peak, room, stars.saturated[chosen])
    light.flux[~fine] = np.nan
    return light


def scale_by_stars(
    first: starcolour.StarLight, second: starcolour.StarLight, paths: tuple[LightPath, LightPath], name: str
) -> Scale:
    """How much light comes to the second stack, from stars that both show.

    Light of a star is even or sloping with wavelength; its two numbers are taken from the second stack, and what the
    channels of the first would hold of it is compared with what they hold.

    Raises
    ------
    InputError
        Too few stars are clear in both.
    """
    lines, broad = (mixing_matrix(path, CONTINUA, channels=COLOURS).values for path in paths)
    good = np.isfinite(first.flux).all(axis=1) & np.isfinite(second.flux).all(axis=1)
    if good.sum() < FEWEST:
        raise InputError(
            f"{name}: {int(good.sum())} clear unsaturated stars are in both stacks, {FEWEST} are needed to bring them "
            "on one scale; add lights to one of them"
        )
    lines, broad, near = _comparable(lines, broad, second.error[good])
    if not near.any():
        raise InputError(
            f"{name}: its filter passes one band, and that of the lines none within {NEAR_NM:g} nm of it: stars, whose "
            "colours one band does not tell, cannot bring both on one scale; name a stack with a wider filter"
        )
    weight = 1.0 / second.error[good]
    spectra = np.array(
        [
            np.linalg.lstsq(broad * w[:, None], f * w, rcond=None)[0]
            for f, w in zip(second.flux[good], weight, strict=True)
        ]
    )
    expected = spectra @ lines.T
    spread = np.hypot(first.error[good] / np.maximum(expected, 1e-30), STAR_SPREAD)
    usable = near & (expected > 0.05 * expected.max(axis=1, keepdims=True))
    found = [_middle(first.flux[good][use, c] / expected[use, c], spread[use, c]) for c, use in enumerate(usable.T)
             if use.sum() >= FEWEST]  # fmt: skip
    if not found:
        raise InputError(
            f"{name}: too few stars are clear in the channels that both stacks see; add lights to it"
        )
    each, error = np.array(found).T
    value = float(np.average(each, weights=error**-2))
    # channels differ by what is not known of the curves, which is part of the matrix's own error too
    scatter = np.sqrt(np.average((each - value) ** 2, weights=error**-2) / max(len(each) - 1, 1))
    return Scale(
        1.0 / value, float(np.hypot(scatter, 1.0 / np.sqrt((error**-2).sum())) / value), int(good.sum())
    )


def _comparable(
    lines: Float64, broad: Float64, error: Float64
) -> tuple[Float64, Float64, npt.NDArray[np.bool_]]:
    """Continua that the second stack can tell, in both matrices, and channels of the first for which they hold.

    One narrow band tells how bright a star is there, and not its slope with wavelength.
    """
    if inflation(broad, np.median(error, axis=0) ** 2).max() <= MOST_INFLATION:
        return lines, broad, np.ones(len(lines), dtype=np.bool_)
    with np.errstate(invalid="ignore", divide="ignore"):
        own, other = (TILT_NM * part[:, 1] / part[:, 0] for part in (lines, broad))
    middle = np.average(other, weights=broad[:, 0])
    return lines[:, :1], broad[:, :1], np.abs(own - middle) < NEAR_NM


def _middle(ratio: Float64, spread: Float64) -> tuple[float, float]:
    """Weighted median of ratios that are about 1 / scale, and its standard error."""
    order = np.argsort(ratio)
    weight = spread[order] ** -2.0
    place = int(np.searchsorted(np.cumsum(weight), 0.5 * weight.sum()))
    middle = float(ratio[order][place])
    pull = np.abs(ratio / middle - 1.0) / spread
    excess = max(1.0, 1.4826 * float(np.median(pull)))
    return middle, middle * excess * float(np.sqrt(0.5 * np.pi / weight.sum()))
