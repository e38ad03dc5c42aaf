"""Zero points of the planes, the white point and limiting magnitudes from catalogue stars of a finished stack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import MAG
from fourlight.core.cfa import COLOURS
from fourlight.core.starmodel import BETA
from fourlight.core.zeropoints import FEWEST, ZeroPoints, zero_points
from fourlight.errors import StageError
from fourlight.sky.starcolours import SUN_B_V, StarColours
from fourlight.sky.starspectra import BLUEST, REDDEST
from fourlight.stages.star_fluxes import StarFluxes, parts_of, planes_of

__all__ = ["MEASURED", "ColourCalibration", "White", "calibrate", "limits", "white_point"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

MEASURED = ("R", "G1", "G2", "B", "G")
"""Planes that get a zero point; ``G`` is the mean of both greens."""
CLEAR = 10.0
"""Signal over noise in a plane from which on a star tells its zero point."""
TERM_OWN, TERM_OTHER = 0.06, 0.25
"""How far the light of stars may follow another colour than the curves say, magnitudes per magnitude of B-V, one
standard deviation: with the curves of the camera itself, and where those of the standard system stand for it."""
COMMON = 0.008
"""Magnitudes by which the zero points of all planes may be off together: 0.004 for light in the wings of stars, 0.005
for V of the catalogue, 0.005 for dust and kinds of stars, which differ from field to field."""
LIMIT_SIGMA = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class ColourCalibration:
    """Zero points of planes: the magnitude of a star of the Sun's colour that gives one electron in a second."""

    planes: tuple[str, ...]
    """Those that could be calibrated, of `MEASURED`."""
    points: ZeroPoints
    """Colour counts from `SUN_B_V`."""
    share_covariance: Float64
    """(c, c) magnitudes squared, of the light that apertures hold: common to all stars, and in part to planes."""
    relation: StarColours
    used: Bool
    """(n,) stars of the list with a part in it."""
    b_v: Float64
    """(n,) of the stars of the list."""
    deviation: Float64
    """(n, c) what each star says of the zero points; NaN where it does not."""

    @property
    def error(self) -> Float64:
        """(c,) standard error of the zero points, magnitudes."""
        return np.sqrt(self.points.error**2 + np.diag(self.share_covariance) + COMMON**2)

    def error_at(self, plane: str, b_v: float) -> float:
        """Standard error of the zero point of a plane for light of a colour, magnitudes."""
        k = self.number(plane)
        spread = self.points.at(b_v - SUN_B_V)[1][k, k]
        return float(np.sqrt(spread + self.share_covariance[k, k] + COMMON**2))

    def number(self, plane: str) -> int:
        """Place of a plane among those here."""
        return self.planes.index(plane)

    def zero(self, plane: str, b_v: float = SUN_B_V) -> float:
        """Zero point of a plane for light of a colour."""
        k = self.number(plane)
        return float(self.points.value[k] + self.points.slope[k] * (b_v - SUN_B_V))


@dataclass(frozen=True, slots=True)
class White:
    """Factors that make a star of a colour white."""

    b_v: float
    factors: Float64
    """(3,) of R, G, B; the mean of their logarithms is zero."""
    error: Float64
    """(3,) one sigma of each, relative."""
    covariance: Float64
    """(3, 3) of their logarithms."""


def calibrate(stars: StarFluxes, relation: StarColours, exposure_s: float) -> ColourCalibration:
    """Zero points from the stars that can be believed.

    Parameters
    ----------
    stars : StarFluxes
    relation : StarColours
        Of R, G, B.
    exposure_s : float
        Of the light whose exposure the fluxes are for.

    Raises
    ------
    StageError
        There are too few stars: which, and what to do.
    """
    flux, noise = planes_of(stars, MEASURED)
    use = stars.good & (stars.b_v > BLUEST) & (stars.b_v < REDDEST)
    clear = use[:, None] & (flux > CLEAR * noise)
    planes = [
        k for k in range(len(MEASURED)) if (clear[:, k]).sum() >= max(FEWEST, 0.5 * clear.sum(axis=0).max())
    ]
    use &= clear[:, planes].all(axis=1) if planes else False
    if use.sum() < FEWEST:
        raise StageError("colour", "the stack", *_few(stars, use))
    flux, noise = flux[:, planes], noise[:, planes]
    names = tuple(MEASURED[k] for k in planes)
    less_v = _of_planes(relation, stars.b_v, names)
    with np.errstate(invalid="ignore", divide="ignore"):
        said = stars.v_mag[:, None] + less_v + 2.5 * np.log10(flux / exposure_s)
        relative = MAG * np.median(noise / flux, axis=1)
    step = 0.05
    steep = (
        _of_planes(relation, stars.b_v + step, names) - _of_planes(relation, stars.b_v - step, names)
    ) / (2 * step)
    sigma = np.sqrt(relative**2 + stars.v_error**2 + (steep**2).mean(axis=1) * stars.b_v_error**2)
    term = TERM_OWN if relation.own else TERM_OTHER
    points = zero_points(said[use], sigma[use], stars.b_v[use] - SUN_B_V, term)
    used, deviation = use.copy(), np.where(use[:, None], said, np.nan)
    used[np.flatnonzero(use)[points.weight == 0]] = False
    parts = parts_of(names, stars.planes)
    shares = MAG**2 * parts @ stars.share_covariance @ parts.T
    return ColourCalibration(names, points, shares, relation, used, stars.b_v, deviation)


def _of_planes(relation: StarColours, b_v: Float64, planes: tuple[str, ...]) -> Float64:
    """(n, c) magnitudes less V of planes."""
    pick = [relation.channels.index(name[0]) for name in planes]
    return relation.less_v(b_v)[:, pick]


def _few(stars: StarFluxes, use: Bool) -> tuple[str, str]:
    """What was found, and what to do."""
    said = f"{stars.words}; {int(use.sum())} can tell colours"
    if len(stars) and stars.full.sum() > 0.7 * len(stars):
        return (
            said,
            f"{FEWEST} at least are needed: expose shorter, so that stars to V = 11 do not fill samples",
        )
    return said, f"{FEWEST} at least are needed: a wider field or a longer exposure has more"


def white_point(found: ColourCalibration, b_v: float) -> White | None:
    """Factors that make a star of a colour white; None where a colour has no zero point.

    Their error holds that stars of one B-V have spectra of their own, of which the white one has some.
    """
    if any(name not in found.planes for name in COLOURS):
        return None
    pick = [found.number(name) for name in COLOURS]
    channels = [found.relation.channels.index(name) for name in COLOURS]
    zero, covariance = found.points.at(b_v - SUN_B_V)
    less_v = _of_planes(found.relation, np.array([b_v]), COLOURS)[0]
    # electrons of a star of V = 0 are 10^(0.4 (zero - magnitude)); white takes that out
    log = (less_v - zero[pick]) / MAG
    spread = (covariance + found.share_covariance)[np.ix_(pick, pick)]
    bent = found.relation.bent(b_v, found.b_v[found.used])[channels]
    spread = (spread + found.relation.spread(b_v)[np.ix_(channels, channels)] + np.outer(bent, bent)) / MAG**2
    off = np.eye(3) - 1 / 3
    spread = off @ spread @ off
    return White(b_v, np.exp(log - log.mean()), np.sqrt(np.diag(spread)), spread)


def limits(
    found: ColourCalibration, noise: Mapping[str, float], fwhm_px: Mapping[str, float], exposure_s: float
) -> dict[str, float]:
    """Magnitude of a star of the Sun's colour whose light is five times its error, by plane.

    The error is that of a profile fitted to the star on even noise: that of one pixel times the root of the noise
    equivalent area (King 1983, PASP 95, 163), which for a Moffat profile is pi alpha^2 (2 beta - 1) / (beta - 1)^2.

    Parameters
    ----------
    found : ColourCalibration
    noise : mapping of str to float
        sqrt(VAR) of empty sky in each plane.
    fwhm_px : mapping of str to float
    exposure_s : float
        As for `calibrate`.
    """
    out = {}
    for plane in found.planes:
        if plane in noise and plane in fwhm_px:
            alpha = fwhm_px[plane] / (2 * np.sqrt(2 ** (1 / BETA) - 1))
            area = np.pi * alpha**2 * (2 * BETA - 1) / (BETA - 1) ** 2
            least = LIMIT_SIGMA * noise[plane] * np.sqrt(area) / exposure_s
            out[plane] = float(found.zero(plane) - 2.5 * np.log10(least))
    return out
