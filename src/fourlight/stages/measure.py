"""Measuring one calibrated light: stars, sky, noise and shape of each colour plane, on raw samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core import cfa, detection, skycells, starfit, starmodel, starshape
from fourlight.core.noise import sample_noise
from fourlight.core.overexposed import OVEREXPOSED, mostly_full
from fourlight.errors import FrameError
from fourlight.frames import MeasuredFrame, RawFrame, StarList
from fourlight.recipe import Measure
from fourlight.stages.fringes import plane_equations
from fourlight.stages.response import HIGHEST
from fourlight.stages.star_choice import BRIGHT_STARS, fit_radius, full_stars, lone
from fourlight.stages.trails import find_trails

__all__ = ["measure"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

NO_FLAT = np.empty((0, 0), dtype=np.float32)

PART = 4
"""One in so many bands of rows is searched first."""

WIDTH_STARS = 80
"""Stars that tell how wide to look."""

APERTURE_STARS = 250
"""Stars that tie profile fluxes to aperture fluxes."""

UNCORRECTED = 0.02
"""Relative error of profile fluxes that could not be tied to apertures, from the seeing's change of profile."""


def measure(
    raw: RawFrame, image: Float32, pattern: str, *, electrons: bool, saturation: float, settings: Measure,
    step: float = 0.0, response: Float32 = NO_FLAT,
) -> MeasuredFrame:  # fmt: skip
    """Measure one light.

    Parameters
    ----------
    raw : RawFrame
        Where the frame comes from.
    image : (ny, nx) float32
        Calibrated samples; NaN at defects.
    pattern : str
        Mosaic pattern.
    electrons : bool
        Whether samples are in electrons, so that photon noise follows from the signal.
    saturation : float
        Level from which a sample may be full (lowest over the frame), unit of the samples.
    settings : Measure
    step : float
        Step of the digitiser, unit of the samples; 0 where they are not whole numbers of it.
    response : (rows, nx) float32
        Response of the flat in each `fourlight.core.cfa.ODD`-th row; (0, 0) where no flat was used.

    Raises
    ------
    FrameError
        The frame holds no usable samples in some plane, or most of them are full.
    """
    cell, poisson = cfa.plane_map(pattern), 1.0 if electrons else 0.0
    if mostly_full(*_before_flat(image[:: cfa.ODD], saturation, response), poisson or None):
        raise FrameError(str(raw.path), OVEREXPOSED)
    levels = skycells.cell_levels(image, cell, skycells.cell_side(image.shape, settings.cell_px), step)
    if not np.isfinite(levels).any(axis=(1, 2)).all():
        raise FrameError(str(raw.path), "a colour plane has no usable samples; needed a full mosaic frame")
    noise = _noise(raw, image, cell, step)
    solid = skycells.filled(levels)
    excess = skycells.Excess.above(image, solid, cell, noise)
    fits, width = _fitted(excess, cell, noise, poisson, settings)
    stars, shapes, aperture_error = _photometry(
        image, cell, noise, poisson, fits, width, saturation, settings.max_stars
    )
    fwhm, elongation, angle = _widths(shapes)
    clear = np.flatnonzero(~stars.saturated)[:BRIGHT_STARS]
    normal, right = plane_equations(
        image, cell, noise, poisson, stars.x[clear], stars.y[clear], shapes, fit_radius(width)
    )
    return MeasuredFrame(
        raw=raw,
        stars=stars,
        sky=np.nanmedian(levels, axis=(1, 2)).astype(np.float64),
        noise=noise,
        gradient=np.array([_gradient(plane) for plane in solid]),
        fwhm_px=fwhm if len(stars) else np.full(4, np.nan),
        elongation=elongation if len(stars) else np.full(4, np.nan),
        angle_deg=angle,
        sky_map=_whole_cells(levels, raw),
        aperture_error=aperture_error,
        fringe_normal=normal,
        fringe_right=right,
        trails=find_trails(excess, stars, width, settings.trail_sigma),
    )


def _before_flat(rows: Float32, saturation: float, response: Float32) -> tuple[Float32, float]:
    """Rows as they were before the flat, and their full level: what is known is the lowest, at the highest response."""
    if not np.isfinite(response).any():
        return rows, saturation
    return rows * response, saturation * max(1.0, float(np.nanquantile(response, HIGHEST)))


def _noise(raw: RawFrame, image: Float32, cell: Int64, step: float) -> Float64:
    """Noise of the samples of each plane (4,); raises `FrameError` where there is none."""
    noise = np.array([sample_noise(image[y::2, x::2], step=step) for y, x in _origins(cell)])
    if not (noise > 0).all():
        why = "too few samples side by side to tell noise" if np.isnan(noise).any() else "samples do not vary"
        raise FrameError(str(raw.path), f"{why}; needed a frame with light in it")
    return noise


def _origins(cell: Int64) -> list[tuple[int, int]]:
    """First row and column of each plane, in the order of `fourlight.core.cfa.PLANES`."""
    return [tuple(int(v) for v in np.argwhere(cell == plane)[0]) for plane in range(4)]  # type: ignore[misc]


def _whole_cells(levels: Float32, raw: RawFrame) -> Float32:
    """Cell map without cells that lost more than a tenth to blank rows: their light lies beside their centres."""
    out = levels.copy()
    my = levels.shape[1]
    edges = np.arange(my + 1) * raw.ny // my
    for y0, y1 in raw.blank_rows:
        lost = np.minimum(edges[1:], y1) - np.maximum(edges[:-1], y0)
        out[:, lost > 0.1 * np.diff(edges)] = np.nan
    return out if np.isfinite(out).any(axis=(1, 2)).all() else levels


def _fitted(
    excess: skycells.Excess, cell: Int64, noise: Float64, poisson: float, settings: Measure
) -> tuple[Float64, float]:
    """Parameters of all stars found, and the frame's typical width in pixels."""
    image, sigma = excess.image, 1.3
    width = 2.355 * sigma
    # A part of the frame tells how wide to look, if it holds enough stars.
    for every in (PART, 1, 1, 1):
        x, y, _significance = detection.candidates(excess, sigma, settings.detection_sigma, every=every)
        few, _ = _settled(image, cell, noise, poisson, x[:WIDTH_STARS], y[:WIDTH_STARS], width)
        if every > 1 and len(few) < WIDTH_STARS // 2:
            continue
        if len(few) == 0:
            return np.empty((0, starfit.NPAR)), width
        width = float(np.clip(np.median(_fwhm(few)), 1.2, 20.0))
        better = width / 2.355
        if every == 1 and 0.75 < better / sigma < 1.33:
            break
        sigma = better
    most = settings.max_stars + settings.max_stars // 4
    fits, _ = _settled(image, cell, noise, poisson, x[:most], y[:most], width)
    return fits, width


def _settled(
    image: Float32, cell: Int64, noise: Float64, poisson: float, x: Float64, y: Float64, width: float
) -> tuple[Float64, Float64]:
    """Fits that settled on something that is as wide as a star of this frame, and their widths."""
    radius = fit_radius(width)
    start = starmodel.moffat_shape(width)
    fits, fine = starfit.fit_stars(image, cell, noise**2, poisson, x, y, start, radius)
    fits = fits[fine & (fits[:, 5::2].max(axis=1) > 0)]
    if len(fits) == 0:
        return fits, np.empty(0)
    fwhm = _fwhm(fits)
    typical = np.median(fwhm[: max(20, len(fwhm) // 2)])
    good = (fwhm > 0.55 * typical) & (fwhm < 1.8 * typical)
    fits = fits[good]
    # Two candidates of one star end on the same place; keep the first.
    twins = cKDTree(fits[:, :2]).query_pairs(0.5 * typical, output_type="ndarray")
    fits = np.delete(fits, np.unique(twins[:, 1]), axis=0)
    return fits, _fwhm(fits)


def _fwhm(fits: Float64) -> Float64:
    return starmodel.moffat_fwhm(*fits[:, 2:5].T)[0]


def _photometry(
    image: Float32, cell: Int64, noise: Float64, poisson: float, fits: Float64, width: float,
    saturation: float, most: int,
) -> tuple[StarList, Float64, float]:  # fmt: skip
    """Star list with aperture-corrected fluxes, brightest first, and one shape per plane (4, 5)."""
    x, y = fits[:, 0].copy(), fits[:, 1].copy()
    full = full_stars(image, x, y, saturation)
    shapes = _shapes(image, cell, noise, poisson, fits, full, width)
    radius = fit_radius(width)
    # One shape for all planes: the error of a plane's own shape would be an error of all its fluxes, while that
    # of a common one is taken out by the aperture, which all planes together sample at every pixel.
    common = np.column_stack([np.tile(shapes[:, :3].mean(axis=0), (4, 1)), shapes[:, 3:]])
    flux, error = np.zeros((len(x), 4)), np.full((len(x), 4), np.nan)
    for plane in range(4):
        flux[:, plane], error[:, plane] = starshape.plane_fluxes(
            image, cell, plane, noise[plane] ** 2, poisson, x, y, common[plane], radius
        )
    ratio, aperture_error = _aperture_correction(image, cell, x, y, flux, error, full, common, 3.0 * width)
    flux, error = flux * ratio, error * ratio
    total = flux.sum(axis=1)
    keep = np.isfinite(error).all(axis=1) & (total > 3 * np.sqrt((error**2).sum(axis=1)))
    order = np.flatnonzero(keep)[np.argsort(-total[keep], kind="stable")][:most]
    fwhm, elongation, _angle = starmodel.moffat_fwhm(*fits[order, 2:5].T)
    stars = StarList(x[order], y[order], flux[order], error[order], fwhm, elongation, full[order])
    return stars, shapes, aperture_error


def _shapes(
    image: Float32, cell: Int64, noise: Float64, poisson: float, fits: Float64,
    full: npt.NDArray[np.bool_], width: float,
) -> Float64:  # fmt: skip
    """One profile per plane (4, 5) from the brightest unsaturated stars; the median shape where that fails."""
    start = np.median(fits[:, 2:5], axis=0) if len(fits) else np.array([1.0, 0.0, 1.0])
    bright = lone(fits[:, 0], fits[:, 1], fits[:, 5::2].sum(axis=1), np.log(_fwhm(fits) / width), full, width)
    radius = fit_radius(width)
    out = np.zeros((4, 5))
    for plane in range(4):
        out[plane], _ = starshape.plane_shape(
            image, cell, plane, noise[plane] ** 2, poisson, fits[bright, 0], fits[bright, 1], start, radius
        )
    return out


def _aperture_correction(
    image: Float32, cell: Int64, x: Float64, y: Float64, flux: Float64, error: Float64,
    full: npt.NDArray[np.bool_], shapes: Float64, radius: float,
) -> tuple[float, float]:  # fmt: skip
    """Mean light in a disc over the profile's, and its error, from the brightest unsaturated stars; 1 if few."""
    total = np.sqrt((error**2).sum(axis=1))
    snr = np.where(full | ~(total > 0), 0.0, flux.sum(axis=1) / np.where(total > 0, total, 1.0))
    # Weak planes would only add noise: a plane counts for a star where it is measured to five per cent.
    useful = np.where(flux > 20 * error, flux, 0.0)
    bright = np.argsort(-snr, kind="stable")[:APERTURE_STARS]
    bright = bright[snr[bright] > 40]
    # Behind a narrow filter a plane may hold no starlight at all; the others do without it.
    useful[:, (useful[bright] > 0).sum(axis=0) < len(bright) / 2] = 0.0
    bright = bright[((useful[bright] > 0) == (useful[bright] > 0).any(axis=0)).all(axis=1)]
    ratio = starshape.aperture_ratios(image, cell, x[bright], y[bright], useful[bright], shapes, radius)
    weight = np.minimum(snr[bright], 300.0)[np.isfinite(ratio)] ** 2
    ratio = ratio[np.isfinite(ratio)]
    for _ in range(4):
        if len(ratio) < 5:
            return 1.0, UNCORRECTED
        middle = np.median(ratio)
        good = np.abs(ratio - middle) < 3 * 1.4826 * np.median(np.abs(ratio - middle)) + 1e-6
        ratio, weight = ratio[good], weight[good]
    if len(ratio) < 5:
        return 1.0, UNCORRECTED
    mean = float(np.average(ratio, weights=weight))
    spread = np.average((ratio - mean) ** 2, weights=weight) * (weight**2).sum() / weight.sum() ** 2
    return float(np.clip(mean, 0.7, 1.4)), float(np.sqrt(spread))


def _widths(shapes: Float64) -> tuple[Float64, Float64, float]:
    """FWHM and elongation per plane, and the direction of elongation of the first green, degrees."""
    fwhm, elongation, angle = starmodel.moffat_fwhm(*shapes[:, :3].T)
    return fwhm, elongation, float(np.degrees(angle[1]) % 180.0)


def _gradient(level: Float32) -> float:
    """Range over the frame of a plane fitted to the cell map, in the unit of the samples."""
    my, mx = level.shape
    # Centres of the cells; the frame itself runs from -1 to 1.
    v, u = np.mgrid[1 / my - 1 : 1 - 1 / my : my * 1j, 1 / mx - 1 : 1 - 1 / mx : mx * 1j]
    design = np.column_stack([np.ones(level.size), u.ravel(), v.ravel()])
    fit = np.linalg.lstsq(design, level.ravel().astype(np.float64), rcond=None)[0]
    return float(2 * (abs(fit[1]) + abs(fit[2])))
