"""How much of a star's light a small aperture holds, plane by plane: from bright lone stars, else from the profile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.starcolour import StarLight, star_light

__all__ = ["APERTURE", "WHOLE", "aperture_share"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

APERTURE = 1.5
"""Radius of the aperture over the width of the widest plane's stars."""
WHOLE = 3.0
"""Radius over that width of the aperture that tells all light of a star. At 4 widths faint stars in it, which nobody
sees, make zero points of crowded fields 2 to 4 % uncertain."""
WINGS = 0.004
"""Light of a star beyond that: nothing of a Gaussian, 0.9 % of a Moffat profile of power 3, 0.4 % of one of 3.5."""
CLEAR = 50.0
"""Light in the whole aperture over its error from which single stars tell the share, and their median all of it."""
ENOUGH = 5
"""Stars from which on a median holds."""
USABLE = 25.0
"""Light in the small aperture over the error of the whole one, from which fainter stars count, all together: of fainter
ones the whole aperture and the ring around it hold too much of others."""
MAD = 1.4826
"""Standard deviation over the median deviation, of normal errors."""
ONE_STAR = 0.02
"""Relative, by which single stars differ beside noise: faint neighbours, places of their samples."""
ALL_PLANES, ONE_PLANE = 0.05, 0.01
"""How far the share of the profile may be off, one standard deviation: by wings that all planes have, and by what
planes differ in beside their widths."""
POWER = 3.5
"""Of the Moffat profile that tells it (0.93): between those of usual optics, 2.5 to 3 (0.87 to 0.91), and that of air
alone, 4.765 (0.965; Trujillo et al. 2001, MNRAS 328, 977, as remembered); some stars are as compact as Gaussians
(0.998)."""


def aperture_share(
    values: list[Float32], variances: list[Float32], x: Float64, y: Float64, widths: Float64,
    lit: Bool | None = None,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Part of a star's light that an aperture of `APERTURE` widths holds, and what is not known of it.

    The profile says what to expect, with an error that planes share; what stars show in one plane or several moves it,
    in the others too, as much as both errors ask for (least squares). Where bright stars are enough, they decide.

    Parameters
    ----------
    values, variances : lists of c (ny, nx) float32
    x, y : (n,) float64
        Stars with nothing beside them that are not full.
    widths : (c,) float64
        FWHM of stars in each plane, pixels; apertures have the width of the largest.
    lit : (ny, nx) bool or None
        Discs around all known stars, see `fourlight.core.starcolour.star_light`.

    Returns
    -------
    share : (c,) float64
    covariance : (c, c) float64
        Of its errors, as parts of it: what stars have beside them is there in every plane.
    """
    wide = float(widths.max())
    inner, outer = (star_light(values, variances, x, y, radius * wide, lit) for radius in (APERTURE, WHOLE))
    expected = np.array([_of_profile(width, APERTURE * wide) for width in widths])
    seen = [_of_stars(inner, outer, k) for k in range(len(widths))]
    some = np.flatnonzero(np.isfinite([one.share for one in seen]))
    shown, own, common = (
        np.array([getattr(seen[k], name) / expected[k] for k in some]) for name in ("share", "own", "common")
    )
    alike = _alike(np.array([seen[k].apart for k in some]).reshape(len(some), len(x)))
    spread = np.full((len(widths),) * 2, ALL_PLANES**2) + np.diag(np.full(len(widths), ONE_PLANE**2))
    told = spread[np.ix_(some, some)] + alike * np.outer(own, own) + np.outer(common, common)
    taken = spread[:, some] @ np.linalg.inv(told)
    left = spread - taken @ spread[some]
    return expected * (1.0 + taken @ (shown - 1.0)), 0.5 * (left + left.T)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What stars show of the share in a plane."""

    share: float
    """NaN where they show nothing."""
    own: float
    """Its error."""
    common: float
    """Its error that all planes have."""
    apart: Float64
    """(n,) how far single stars are from it, over their spread; NaN where they do not tell alone."""


def _alike(apart: Float64) -> Float64:
    """(k, k) correlation of planes by their single stars (k, n): what stands beside a star is in all planes.

    >>> _alike(np.array([[1.0, -1.0, np.nan], [2.0, -2.0, 1.0]])).round(2).tolist()  # two, and one without
    [[1.0, 0.67], [0.67, 1.0]]
    """
    planes = len(apart)
    single = np.isfinite(apart).any(axis=1)
    both = np.isfinite(apart[single]).all(axis=0)
    found = np.eye(planes)
    if single.any() and both.any():
        off = np.clip(apart[single][:, both], -3.0, 3.0)
        # where stars scatter less than the noise that is claimed for them, the rest of it is each plane's own
        size = np.sqrt(np.maximum((off**2).sum(axis=1), both.sum()))
        weight = both.sum() / (both.sum() + 1)
        found[np.ix_(single, single)] = weight * (off @ off.T) / np.outer(size, size)
        np.fill_diagonal(found, 1.0)
    return found


def _of_profile(width: float, radius: float) -> float:
    """Share that an aperture and its ring find of a Moffat profile, in the middle of a pixel and between pixels."""
    reach = int(np.ceil(2.5 * radius + 4))
    alpha = width / (2 * np.sqrt(2 ** (1 / POWER) - 1))
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    found = []
    for off in (0.0, 0.25, 0.5):
        far = ((u - off) ** 2 + (v - off) ** 2) / alpha**2
        spot = ((POWER - 1) / (np.pi * alpha**2) * (1 + far) ** -POWER).astype(np.float32)
        at = np.array([reach + off])
        found.append(star_light([spot], [spot], at, at, radius).flux[0, 0])
    return float(np.mean(found))


def _of_stars(inner: StarLight, outer: StarLight, k: int) -> _Shown:
    """The share that stars show in a plane."""
    small, whole, noise = inner.flux[:, k], outer.flux[:, k], outer.error[:, k]
    with np.errstate(invalid="ignore"):
        clear = (whole > CLEAR * noise) & (small > 0)
        usable = (small > USABLE * noise) & np.isfinite(whole)
    apart = np.full(len(small), np.nan)
    if clear.sum() >= ENOUGH:
        ratio = small[clear] / whole[clear]
        share = float(np.median(ratio))
        seen, least = np.median(np.abs(ratio - share)), np.median(noise[clear] / whole[clear])
        spread = max(MAD * float(seen), float(least))
        apart[clear] = (ratio - share) / spread
        return _Shown(share * (1 - WINGS), 1.2533 * spread / float(np.sqrt(len(ratio))), 0.0, apart)
    # the small aperture chooses and weighs stars: by the noise of the whole one the share would be chosen too
    small, whole, noise = small[usable], whole[usable], noise[usable]
    weight = small / noise**2
    total = float(weight @ whole)
    if not total > 0:
        return _Shown(np.nan, np.nan, np.nan, apart)
    share = float(weight @ small) / total
    # neighbours put about as much light into every star's aperture and ring, in all planes
    beside = MAD * float(np.median(np.abs(whole - small / share)))
    own, common = (
        share * float(np.sqrt(((weight * part) ** 2).sum())) / total
        for part in (noise, np.hypot(beside, ONE_STAR * small))
    )
    return _Shown(share * (1 - WINGS), own, common, apart)
