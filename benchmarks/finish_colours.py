"""Colours of stars in a finished picture against those of their true light, by CIEDE2000 of scikit-image."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from finish_sets import COLOURS, Set
from finish_ways import finished
from skimage.color import deltaE_ciede2000, rgb2lab

from fourlight.core.colour import srgb_encode
from fourlight.core.oklab import coloured

Float64 = npt.NDArray[np.float64]

LIGHTNESS = 0.75
"""Of all stars when their colours are compared."""
BRIGHTEST = 150
SHARE_FULL = 0.6
"""Peak over that of full stars below which a star is surely not full."""


def star_colours(known: Set) -> list[str]:
    """Cells: stars, median and 90th percentile of the difference of colour, and those of the stack as it came."""
    picture = finished(known)
    y0, y1, x0, x1 = picture.window
    part = (slice(y0, y1), slice(x0, x1))
    gains = picture.facts["colour"]["gains"]
    true = [known.truth[c][part] * gain for c, gain in zip(COLOURS, gains, strict=True)]
    raw = [known.planes[c][part] * gain for c, gain in zip(COLOURS, gains, strict=True)]
    stars = known.stars
    x, y, width = stars.x - x0, stars.y - y0, float(np.nanmedian(stars.fwhm_px))
    ny, nx = true[0].shape
    away = 4 * width
    use = (x > away) & (y > away) & (x < nx - 1 - away) & (y < ny - 1 - away) & ~stars.saturated
    found = []
    for k in np.flatnonzero(use):
        light = _light(true, x[k], y[k], width)
        if (
            light is None
            or max(plane[round(y[k]), round(x[k])] for plane in true) > SHARE_FULL * known.saturation
        ):
            continue
        others = [_light(planes, x[k], y[k], width) for planes in (picture.light, raw)]
        if all(other is not None and (other > 0).all() for other in others) and (light > 0).all():
            found.append([light, *others])
        if len(found) == BRIGHTEST:
            break
    shown = [_lab(np.array([row[k] for row in found])) for k in range(3)]
    cells = [str(len(found))]
    for other in shown[1:]:
        apart = deltaE_ciede2000(shown[0], other)
        cells += [f"{np.median(apart):.2f}", f"{np.quantile(apart, 0.9):.2f}"]
    return cells


def _light(planes: list[npt.NDArray[np.float32]], x: float, y: float, width: float) -> Float64 | None:
    """Light of a star in each channel within its width, less the level around it; None where that is not known."""
    reach = int(np.ceil(3.5 * width))
    rows = slice(round(y) - reach, round(y) + reach + 1)
    columns = slice(round(x) - reach, round(x) + reach + 1)
    v, u = np.mgrid[rows, columns]
    apart = np.hypot(v - y, u - x)
    inside, around = apart <= width, (apart > 2.5 * width) & (apart <= 3.5 * width)
    cuts = [plane[rows, columns] for plane in planes]
    if not all(np.isfinite(cut).all() for cut in cuts):
        return None
    return np.array([float((cut[inside] - np.median(cut[around])).sum()) for cut in cuts])


def _lab(light: Float64) -> Float64:
    """Colours (n, 3) in CIE Lab, all of them equally light."""
    planes = [np.ascontiguousarray(column[None]).astype(np.float32) for column in light.T]
    shown = coloured(planes, np.full(planes[0].shape, LIGHTNESS, np.float32), 1.0)
    return np.asarray(rgb2lab(srgb_encode(np.moveaxis(shown, 0, -1)))[0])
