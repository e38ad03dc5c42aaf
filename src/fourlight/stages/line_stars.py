"""The matrix of a camera behind a filter, improved by the field's own stars of known colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.starmixing import learn
from fourlight.sensor.lightpath import LightPath
from fourlight.sky.starcounts import likely_colours
from fourlight.stages.line_facts import leak_facts
from fourlight.stages.line_kinds import Telling
from fourlight.stages.line_spectra import star_table
from fourlight.stages.star_fluxes import StarFluxes, parts_of, planes_of

__all__ = ["StarsUsed", "scatter_of_greens", "taught"]

Float64 = npt.NDArray[np.float64]

BLUEST, REDDEST = 0.0, 1.2
"""B-V of stars that count: giants of type M, which are redder, have bands of molecules that B-V does not tell."""
SPREAD = 0.03
"""B-V by which the bands of a star may be those of another colour: single spectra behind narrow filters scatter by 0.02
to 0.03 in ln(red / blue), of which 0.9 are one of B-V."""
CLEAR_SNR = 20.0
"""Light of a star over its error, all channels together, from which it counts."""
LEAST_ERROR = 0.01
"""Of a star's light in a channel, as a part: neighbours, flats and the sky under it."""
FEWEST = 8
"""Stars from which the matrix is improved."""
MOST_CHI2 = 4.0
"""Of stars, beyond which they, camera or filter are others than is thought."""
MOST_BENT = 5.0
"""Standard deviations by which curves may be off in all, for the same reason: some four ways to be off are seen."""
LEAST_SHARE = 0.5
"""Part of the stars that must fit."""


@dataclass(frozen=True, slots=True, eq=False)
class StarsUsed:
    """A matrix after stars have been seen, and what is told of that."""

    telling: Telling
    facts: dict[str, Any]


def taught(
    telling: Telling, path: LightPath, stars: StarFluxes, variance: Float64, air_masses: float
) -> StarsUsed:
    """The matrix as stars improve it; as it was where they are too few or do not fit.

    Parameters
    ----------
    telling : Telling
    path : LightPath
        Of the first set.
    stars : StarFluxes
        Of the first set.
    variance : (c,) float64
        Of the channels of all sets, for what is told.
    air_masses : float
        Towards the stars.
    """
    before = leak_facts(telling, variance)
    light, noise = planes_of(stars, COLOURS)
    with np.errstate(invalid="ignore"):
        fits = stars.good & (light.sum(axis=1) > CLEAR_SNR * np.sqrt((noise**2).sum(axis=1)))
        fits &= (stars.b_v > BLUEST) & (stars.b_v < REDDEST)
    facts: dict[str, Any] = {"stars": int(fits.sum()), "used": False, "leak_before": before}
    if fits.sum() < FEWEST:
        facts["reason"] = (
            f"{stars.words}; {int(fits.sum())} clear ones have a colour that tells (B-V {BLUEST:g} to {REDDEST:g}), "
            f"{FEWEST} are needed: the matrix is that of the curves"
        )
        return StarsUsed(telling, facts)
    seen = path.seen_by(COLOURS)
    more = len(telling.modes) - len(seen.response.modes)
    flux = light[fits]
    apart = scatter_of_greens(stars.chosen(fits))
    # both greens together scatter less than one plane
    own = apart * np.array([0.5**0.5 if name == "G" else 1.0 for name in COLOURS])
    error = np.hypot(noise[fits], LEAST_ERROR * np.abs(flux).max(axis=1, keepdims=True))
    error = np.hypot(error, own * np.abs(flux))
    parts = parts_of(COLOURS, stars.planes)
    table = star_table(seen, more, air_masses, parts @ stars.share_covariance @ parts.T)
    likely = likely_colours(stars.b_v[fits], stars.b_v_error[fits], table.colour)
    found = learn(flux, error, table.spread(likely, SPREAD), table)
    count = int(found.used.sum())
    bent = float(np.sqrt(np.square(found.shift[: len(telling.modes)]).sum()))
    facts |= {"own_scatter": apart, "stars": count, "chi2": found.chi2, "curves_off": bent}
    misfit = _misfit(int(fits.sum()), count, found.chi2, bent)
    if misfit:
        facts["reason"] = (
            f"{misfit}; see that camera and filter are named rightly; the matrix is that of the curves"
        )
        return StarsUsed(telling, facts)
    others = np.zeros((table.modes.shape[1] - len(telling.modes), *telling.matrix.shape))
    matrix, modes = found.matrix(telling.matrix, np.concatenate([telling.modes, others]))
    return StarsUsed(telling.learned(matrix, modes), {**facts, "used": True})


def scatter_of_greens(stars: StarFluxes) -> float:
    """Part by which the light of a star in one plane scatters beside its noise: what both greens disagree about.

    They see the same light, whatever camera, filter and star. Where stars are narrower than a pixel or two, it matters
    where their samples lie, and planes of a stack hold some per cent more or less of a star.
    """
    greens = [stars.planes.index(name) for name in ("G1", "G2")]
    flux, noise = stars.flux[:, greens], stars.flux_error[:, greens]
    sure = (flux > CLEAR_SNR * noise).all(axis=1)
    if sure.sum() < FEWEST:
        return 0.0
    ratio = np.log(flux[sure, 0] / flux[sure, 1])
    scatter = 1.4826 * float(np.median(np.abs(ratio - np.median(ratio))))
    chance = float(np.median(((noise[sure] / flux[sure]) ** 2).sum(axis=1)))
    return float(np.sqrt(max(scatter**2 - chance, 0.0) / 2))


def _misfit(seen: int, count: int, chi2: float, bent: float) -> str:
    """Why stars do not fit camera and filter; empty where they do."""
    found = []
    if not count >= LEAST_SHARE * seen:
        found.append(f"only {count} of {seen} stars fit camera and filter")
    if not chi2 < MOST_CHI2:
        found.append(
            f"the light of {count} stars does not fit camera and filter, but scatters {np.sqrt(chi2):.2g} times as "
            f"much as its errors allow ({np.sqrt(MOST_CHI2):g} at most)"
        )
    if not bent < MOST_BENT:
        found.append(
            f"the curves would have to be off by {bent:.1f} standard deviations ({MOST_BENT:g} at most)"
        )
    return ", and ".join(found)
