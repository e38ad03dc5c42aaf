"""What `finish.py` measures: noise against truth, stars before and after, rings of frequencies, layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from finish_sets import COLOURS, Planes, Set
from scipy import ndimage, optimize

from fourlight.core.ringsums import Net, RingSums

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


def noise_of(known: Set, c: str) -> float:
    """Usual noise of a pixel."""
    return float(np.sqrt(np.nanmedian(known.variances[c])))


def parts(known: Set, c: str) -> dict[str, Bool]:
    """Pixels by what they show: faint and bright nebula beside stars, and stars that are not full."""
    noise = noise_of(known, c)
    glow = (known.starless[c] - np.nanquantile(known.starless[c], 0.02)) / noise
    lit = (known.truth[c] - known.starless[c]) / noise
    covered = np.isfinite(known.planes[c])
    return {
        "faint": covered & (glow > 0.3) & (glow < 3) & (lit < 0.1),
        "bright": covered & (glow >= 3) & (lit < 0.3),
        "stars": covered & (lit > 10) & (known.truth[c] < known.saturation),
    }


def gain_db(before: Float32, after: Float32, truth: Float32, where: Bool) -> float:
    """How much smaller the error has become; NaN of too few pixels."""
    if where.sum() < 500:
        return float("nan")
    errors = [((image - truth)[where].astype(np.float64) ** 2).mean() for image in (before, after)]
    return float(10 * np.log10(errors[0] / errors[1]))


@dataclass(frozen=True, slots=True)
class Stars:
    """Stars that stand alone, measured one by one."""

    width: Float64
    """(n,) FWHM in pixels."""
    flux: Float64
    ring: Float64
    """(n,) lowest mean of a ring around the star over the noise of a pixel in it, above what is around."""


def lone_stars(known: Set, c: str, least: float = 100.0) -> list[tuple[float, float]]:
    """Places of bright stars that are not full, far from others and from the edge."""
    reach, noise, image = 26, noise_of(known, c), known.planes[c]
    ny, nx = image.shape
    level = float(np.nanmedian(image))
    found = []
    for x, y in zip(known.stars.x, known.stars.y, strict=True):
        i, j = round(float(x)), round(float(y))
        if not (reach <= i < nx - reach and reach <= j < ny - reach):
            continue
        top = float(image[j - 1 : j + 2, i - 1 : i + 2].max()) - level
        apart = np.hypot(known.stars.x - x, known.stars.y - y)
        around = known.truth[c][j - reach : j + reach + 1, i - reach : i + reach + 1]
        if (
            np.sort(apart)[1:2].sum() > 18
            and least * noise < top < 0.8 * known.saturation
            and around.max() < 2 * top
        ):
            found.append((float(x), float(y)))
    return found[:60]


def measured(known: Set, c: str, image: Float32, places: list[tuple[float, float]], width: float) -> Stars:
    """Width, flux inside 3.5 widths and deepest ring of each star; light around from 5 to 6 widths is taken off.

    The width is that of a Moffat profile fitted to the pixels, which is not what sharpening uses.
    """
    rows = []
    for x, y in places:
        i, j, reach = round(x), round(y), int(np.ceil(6 * width))
        cut = (slice(max(j - reach, 0), j + reach + 1), slice(max(i - reach, 0), i + reach + 1))
        v, u = np.mgrid[
            cut[0].start : cut[0].start + image[cut].shape[0],
            cut[1].start : cut[1].start + image[cut].shape[1],
        ]
        apart = np.hypot(u - x, v - y)
        light = image[cut].astype(np.float64) - known.starless[c][cut]
        light -= np.median(light[(apart > 5 * width) & (apart < 6 * width)])
        near = apart < 1.8 * width
        try:
            fit, _ = optimize.curve_fit(
                _moffat, (u[near] - x, v[near] - y), light[near],
                [light.max(), width, 3.0, 0, 0], bounds=([0, 0.5, 1.2, -1, -1], [np.inf, 20, 20, 1, 1]),
            )  # fmt: skip
        except RuntimeError:
            continue
        error = np.sqrt(known.variances[c][cut])
        rings = [
            light[on].mean() / error[on].mean()
            for r in np.arange(1.2 * width, 4 * width)
            if (on := (apart >= r) & (apart < r + 1)).any()
        ]
        rows.append((fit[1], light[apart < 3.5 * width].sum(), min(rings)))
    return Stars(*np.array(rows).reshape(-1, 3).T)


def _moffat(
    place: tuple[Float64, Float64], height: float, width: float, beta: float, x: float, y: float
) -> Float64:
    square = (place[0] - x) ** 2 + (place[1] - y) ** 2
    return height * (1 + (2 ** (1 / beta) - 1) * square / (0.5 * width) ** 2) ** -beta


def ring_correlation(known: Set, c: str, image: Float32, truth: Float32) -> tuple[Float64, Float64]:
    """Frequencies and the correlation of an image with a truth, stars left out that are full in any colour."""
    level = np.nanmedian(known.truth[c])
    full = np.any([known.truth[k] > known.saturation for k in COLOURS], axis=0) | ~np.isfinite(image)
    soft = 1 - np.minimum(
        ndimage.gaussian_filter(ndimage.binary_dilation(full, iterations=30).astype(float), 4), 1
    )
    rim = np.outer(*(np.hanning(side + 2)[1:-1] ** 0.5 for side in image.shape)) * soft
    sums = RingSums(Net.of(image.shape))
    one, other = ((np.nan_to_num(part - level) * rim).astype(np.float32) for part in (image, truth))
    sums.add(one, other, np.zeros((image.shape[0], image.shape[1] // 2 + 1), np.float32))
    rings = sums.rings(1.0)
    return rings.frequency, ndimage.uniform_filter1d(rings.value, 9)


def starless_errors(
    known: Set, starless: list[Float32], window: tuple[int, int, int, int]
) -> dict[str, float]:
    """How far a finished picture without stars is off over the noise of a pixel of the stack, worst of all colours.

    The level of the sky is left out, and so is what is sharper than the truth: both are wanted.
    """
    y0, y1, x0, x1 = window
    worst: dict[str, float] = {}
    for c, image in zip(COLOURS, starless, strict=True):
        light, true = (planes[c][y0:y1, x0:x1] for planes in (known.truth, known.starless))
        noise = noise_of(known, c)
        lit, off = light - true, (image - true) / noise
        beside, under = lit < 0.1 * noise, lit > noise
        off = ndimage.gaussian_filter(off - np.nanmedian(off[beside]), 1)
        for name, where in (("beside", beside), ("under", under)):
            worst[name] = max(worst.get(name, 0.0), float(np.median(np.abs(off[where])) / 0.6745))
    return worst


def layer_errors(known: Set, starless: Planes, stars: Planes) -> dict[str, float]:
    """How well the layers hold what they should, over all colours."""
    rows: dict[str, list[float]] = {}
    for c in COLOURS:
        noise, lit = noise_of(known, c), known.truth[c] - known.starless[c]
        off = (starless[c] - known.starless[c]) / noise
        covered = np.isfinite(off)
        largest = np.maximum(np.maximum(np.abs(starless[c]), np.abs(stars[c])), 1)
        added = np.abs(starless[c] + stars[c] - known.planes[c]) / largest
        usual = covered & (lit < 0.1 * noise)
        under = covered & (lit > noise)
        smooth = ndimage.gaussian_filter(np.where(covered, off, 0), 2)
        limit = 6 * float(np.std(smooth[usual]))
        unfull = under & (ndimage.maximum_filter(known.truth[c], 15) < known.saturation)
        for name, value in {
            "sum": float(added[covered].max()),
            "beside stars": float(np.sqrt((off[usual] ** 2).mean())),
            "under stars": float(np.median(np.abs(off[under])) / 0.6745),
            "dark spots": float((smooth[under] < -limit).mean()),
            "bright spots": float((smooth[under] > limit).mean()),
            "light": float(stars[c][unfull].sum(dtype=np.float64) / lit[unfull].sum(dtype=np.float64)),
        }.items():
            rows.setdefault(name, []).append(value)
    worst = {name: max(values) for name, values in rows.items()}
    worst["light"] = min(rows["light"], key=lambda value: -abs(value - 1))
    return worst
