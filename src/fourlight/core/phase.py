"""Which diagonal of the 2 x 2 mosaic cell holds the two greens, decided from pixels alone.

The two greens see the same light, so they agree with each other better than with red or blue. Both diagonals
join samples that are one step apart in x and in y, so a gradient or an undersampled star disturbs both alike.
Red against blue cannot be told this way: two patterns remain per diagonal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.noise import quantisation_step
from fourlight.core.skylevel import LEVEL_VARIANCE, SUMS, sky_level
from fourlight.core.spread import core_spread

__all__ = ["ANTI", "CLEAR_SIGMA", "MAIN", "Phase", "diagonal_of", "green_diagonal"]

MAIN = "main"
"""Greens at [0, 0] and [1, 1]: GRBG, GBRG."""
ANTI = "anti"
"""Greens at [0, 1] and [1, 0]: RGGB, BGGR."""

CELL = 16
"""Side of a coarse cell in samples of one plane."""
APERTURE = 2
"""Half side of a star's aperture in samples of one plane."""
GREEN_IMBALANCE = 0.02
"""Assumed difference of two greens as a share of the difference between the diagonals; no source."""
CLEAR_SIGMA = 5.0
MONO_STARS = 12
MONO_RATIO = 0.04
MONO_LEVEL = 0.25
NO_NOISE = 1e-3
"""Stands for the noise of planes of which the greater part is constant, ADU; no exposed frame has so little."""

MOST = 50_000
"""Samples of a plane from which a noise or a level is taken."""

Float32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Phase:
    """What the pixels say of the mosaic."""

    sigma: float
    """The stronger of both parts; positive: greens on the main diagonal, negative: on the other."""
    level_sigma: float
    """The part from sky and nebula levels."""
    star_sigma: float
    """The part from star flux ratios."""
    stars: int
    mono: bool
    """All four places agree at all stars: no mosaic, or one that binning has averaged away."""

    @property
    def diagonal(self) -> str | None:
        """`MAIN` or `ANTI` at five sigma and more, unless levels and stars contradict; else None."""
        opposed = self.level_sigma * self.star_sigma < 0 and abs(self.star_sigma) > 3 < abs(self.level_sigma)
        if self.mono or opposed or abs(self.sigma) < CLEAR_SIGMA:
            return None
        return MAIN if self.sigma > 0 else ANTI


def diagonal_of(pattern: str) -> str:
    """Diagonal that holds the greens of a pattern.

    >>> diagonal_of("GBRG"), diagonal_of("RGGB")
    ('main', 'anti')
    """
    return MAIN if pattern[0] == "G" else ANTI


def green_diagonal(image: Float32, full: float | None = None) -> Phase:
    """Evidence for the diagonal of the greens from one light frame.

    Two statistics, of which the stronger counts: mean square level differences across each diagonal over coarse
    cells, beyond their noise; and mean square flux contrasts across each diagonal over stars. The level of
    no light need not be known. A frame without stars, sky and nebula cannot tell.

    Parameters
    ----------
    image : (ny, nx) float32, ADU
        First sample on an even row and column of the frame; NaN where undefined.
    full : float or None, ADU
        Level of a full sample; stars that come near it or near the brightest sample are left out.

    Returns
    -------
    Phase

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sky = np.tile(np.float32([[900, 700], [1100, 900]]), (64, 64))
    >>> green_diagonal(sky + rng.normal(0, 30, sky.shape).astype(np.float32)).diagonal
    'main'
    """
    ny, nx = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    planes = np.stack([image[y:ny:2, x:nx:2] for y in range(2) for x in range(2)])
    known = [np.count_nonzero(np.isfinite(plane)) for plane in planes]
    if min(planes.shape[1:]) < 2 * CELL or min(known) < 0.5 * planes[0].size:
        return Phase(0.0, 0.0, 0.0, 0, False)
    step = quantisation_step(planes[0][:: max(1, planes[0].size // MOST)]) or 0.0
    noise = np.array([_sample_noise(plane, step) for plane in planes])
    cells = _cell_levels(planes, step)
    level_sigma = _level_sigma(cells, noise)
    fluxes = _star_fluxes(planes, noise, full)
    floor = 5.0 * noise * (2 * APERTURE + 1)
    star_sigma = _star_sigma(fluxes, floor)
    return Phase(
        sigma=max(level_sigma, star_sigma, key=abs),
        level_sigma=level_sigma,
        star_sigma=star_sigma,
        stars=len(fluxes),
        mono=_is_mono(fluxes, cells, noise),
    )


def _sample_noise(plane: Float32, step: float) -> float:
    """Standard deviation of one sample from differences of neighbours in its plane; never zero.

    From rows spread over it, which tell it to 0.6 %. ``step`` is that of the digitiser.
    """
    some = plane[:: max(1, plane.size // MOST)].astype(np.float64)
    change = some[:, 1:] - some[:, :-1]
    change = change[np.isfinite(change)]
    return float(core_spread(change, 1e-3, step)[1] / np.sqrt(2.0)) or NO_NOISE if change.size else NO_NOISE


def _median(values: Float32) -> float:
    """Median of values that are known; 0 without any."""
    return float(np.median(values)) if values.size else 0.0


def _cell_levels(planes: Float32, step: float) -> FloatArray:
    """(4, n) levels of coarse cells; cells with undefined samples are left out.

    Medians would be whole numbers where samples are: greens near half a step would differ by a whole one.
    """
    _, my, mx = planes.shape
    rows, columns = my // CELL, mx // CELL
    cut = planes[:, : rows * CELL, : columns * CELL].reshape(4, rows, CELL, columns, CELL)
    cells = cut.transpose(0, 1, 3, 2, 4).reshape(4, rows * columns, -1)
    cells.sort(axis=2)  # numpy sorts many values at a time where the processor can; NaN comes last
    whole = np.isfinite(cells[:, :, -1]).all(axis=0)
    return np.array([_levels(plane[whole], step) for plane in cells])


@njit(cache=True, nogil=True, error_model="numpy")
def _levels(cells: Float32, step: float) -> FloatArray:
    """Levels (n,) of cells of sorted samples (n, m)."""
    out, sums = np.empty(len(cells)), np.empty((2, SUMS), dtype=np.float32)
    for i in range(len(cells)):
        out[i] = sky_level(cells[i], cells[i], step, sums)
    return out


def _level_sigma(cells: FloatArray, noise: FloatArray) -> float:
    """Significance of the difference in mean square level difference, other diagonal minus main."""
    count = cells.shape[1]
    if count < 4:
        return 0.0
    error = np.sqrt(LEVEL_VARIANCE) * noise / CELL
    main = (cells[0] - cells[3]) ** 2 - error[0] ** 2 - error[3] ** 2
    other = (cells[1] - cells[2]) ** 2 - error[1] ** 2 - error[2] ** 2
    kept = np.argsort(main + other)[: max(4, int(0.95 * count))]
    excess = (other - main)[kept]
    scatter = float(np.std(excess)) / np.sqrt(len(kept))
    between = float(np.median(cells[0] + cells[3] - cells[1] - cells[2])) / 2.0
    return float(np.mean(excess)) / float(np.hypot(scatter, (GREEN_IMBALANCE * between) ** 2) or 1e-9)


def _star_fluxes(planes: Float32, noise: FloatArray, full: float | None) -> FloatArray:
    """(n, 4) sky-subtracted fluxes of unsaturated stars, the brightest 400."""
    total = _added(planes)
    top = min(full or np.inf, float(np.fmax.reduce(planes, axis=None)))
    reach = APERTURE + 2
    y, x = _peaks(total, 10.0 * float(np.sqrt((noise**2).sum())), reach)
    span = np.arange(-reach, reach + 1)
    stamps = planes[:, y[:, None, None] + span[:, None], x[:, None, None] + span]
    rim = np.ones((len(span), len(span)), dtype=bool)
    rim[1:-1, 1:-1] = False
    sky = np.median(stamps[..., rim], axis=-1)
    inner = stamps[..., 2:-2, 2:-2] - sky[..., None, None]
    fluxes = inner.sum(axis=(2, 3), dtype=np.float64).T
    peak = inner.sum(axis=0)[:, APERTURE, APERTURE]
    usable = np.isfinite(fluxes).all(axis=1) & (stamps.max(axis=(0, 2, 3)) < 0.85 * top)
    usable &= fluxes.sum(axis=1) > 1.25 * peak  # a defective sample has no wings
    kept: FloatArray = fluxes[usable]
    return kept


@njit(cache=True, nogil=True)
def _added(planes: Float32) -> Float32:
    """Sum of the four planes; undefined samples add nothing."""
    _, ny, nx = planes.shape
    out = np.empty((ny, nx), dtype=np.float32)
    for y in range(ny):
        to, a, b, c, d = out[y], planes[0, y], planes[1, y], planes[2, y], planes[3, y]
        for x in range(nx):
            first = (a[x] if a[x] == a[x] else np.float32(0)) + (b[x] if b[x] == b[x] else np.float32(0))
            to[x] = (
                first + (c[x] if c[x] == c[x] else np.float32(0)) + (d[x] if d[x] == d[x] else np.float32(0))
            )
    return out


@njit(cache=True, nogil=True)
def _maxima(total: Float32, limit: float, reach: int) -> npt.NDArray[np.bool_]:
    """Samples above a limit that no adjacent one exceeds, at least ``reach`` from the edges."""
    ny, nx = total.shape
    out = np.zeros((ny, nx), dtype=np.bool_)
    for y in range(reach, ny - reach):
        for x in range(reach, nx - reach):
            here = total[y, x]
            if here > limit:
                out[y, x] = here >= total[y - 1 : y + 2, x - 1 : x + 2].max()
    return out


def _peaks(total: Float32, threshold: float, reach: int) -> tuple[Index, Index]:
    """Rows and columns of the 400 brightest local maxima above the local sky."""
    level = _median(total[:: max(1, total.size // MOST)])
    y, x = np.nonzero(_maxima(total, level + threshold, reach))
    rim = [(dy, dx) for dy in (-reach, reach) for dx in (-reach, 0, reach)] + [(0, -reach), (0, reach)]
    sky = np.median([total[y + dy, x + dx] for dy, dx in rim], axis=0)
    rise = total[y, x] - sky
    order = np.argsort(rise)[::-1][:400]
    order = order[rise[order] > threshold]
    return y[order], x[order]


def _star_sigma(fluxes: FloatArray, floor: FloatArray) -> float:
    """Significance of the difference in mean square contrast over stars, other diagonal minus main."""
    if len(fluxes) < 8:
        return 0.0
    main = _contrast(fluxes[:, 0], fluxes[:, 3], float(np.hypot(floor[0], floor[3])))
    other = _contrast(fluxes[:, 1], fluxes[:, 2], float(np.hypot(floor[1], floor[2])))
    excess = other**2 - main**2
    return float(excess.mean() / (excess.std(ddof=1) or 1e-9) * np.sqrt(len(excess)))


def _contrast(a: FloatArray, b: FloatArray, floor: float) -> FloatArray:
    """Relative difference, shrunk to zero where both drown in noise (a filter blocks the colour)."""
    contrast: FloatArray = (a - b) / np.hypot(a + b, floor)
    return contrast


def _is_mono(fluxes: FloatArray, cells: FloatArray, noise: FloatArray) -> bool:
    """Whether neither the stars nor the sky tell any of the four places apart."""
    if len(fluxes) < MONO_STARS or not cells.size or noise.min() <= NO_NOISE:
        return False
    levels = np.median(cells, axis=1)
    if np.ptp(levels) > MONO_LEVEL * noise.max():
        return False
    shares = fluxes / fluxes.sum(axis=1, keepdims=True)
    middle = np.median(shares, axis=0)
    scatter = 1.4826 * np.median(np.abs(shares - middle), axis=0)
    error = 1.2533 * scatter / np.sqrt(len(fluxes))
    alike = bool(np.all(np.abs(middle - 0.25) < 0.25 * MONO_RATIO + 3.0 * error))
    return alike and bool(scatter.max() < 2.0 * scatter.min() + 0.005)
