"""Spectra of stars of all types, shipped with the program; described, with source and licence, in ``data/spectra``."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.spectra import dust_law

__all__ = [
    "BLUEST",
    "REDDEST",
    "StarSpectra",
    "dusted",
    "of_colour",
    "smoothed",
    "spread_about",
    "star_spectra",
]

Float64 = npt.NDArray[np.float64]

UNIT = 1e4
"""Photons in which the table counts."""
BLUEST, REDDEST = -0.30, 1.40
"""B-V between which spectra follow from it: beyond, giants of type M become bluer again while they cool."""
REACH = 0.10
"""B-V within which spectra count for a colour, standard deviation."""
GIANTS_FROM, DWARFS_TO = 0.75, 1.0
"""B-V from which on bright stars are giants, mostly, and to which there are dwarfs among them."""


@dataclass(frozen=True, slots=True, eq=False)
class StarSpectra:
    """Spectra of k stars of V = 0."""

    wave_nm: Float64
    """(n,)"""
    photons: Float64
    """(k, n) photons s-1 cm-2 nm-1."""
    b_v: Float64
    """(k,) of the spectra themselves (Bessell 1990, Vega 0)."""
    g_v: Float64
    """(k,) G of Gaia less V."""
    bp_rp: Float64
    luminosity: tuple[str, ...]
    """Classes V, IV or III."""

    @property
    def usual(self) -> npt.NDArray[np.bool_]:
        """(k,) those that stars to V = 11 are mostly like: dwarfs where blue, giants where red."""
        dwarf = np.array([name in ("V", "IV") for name in self.luminosity]) & (self.b_v < DWARFS_TO)
        giant = np.array([name == "III" for name in self.luminosity]) & (self.b_v > GIANTS_FROM)
        cool = self.bp_rp > 2.0
        return np.asarray((dwarf | giant) & ~cool)


@cache
def star_spectra() -> StarSpectra:
    """All spectra that come with the program.

    >>> found = star_spectra()
    >>> round(float(found.b_v[found.luminosity.index("III")]), 2), len(found.b_v) > 60
    (-0.34, True)
    """
    folder = Path(str(files("fourlight.data") / "spectra"))
    photons = np.load(folder / "spectra.npy").astype(np.float64) * UNIT
    with (folder / "spectra.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    b_v, g_v, bp_rp = (np.array([float(row[name]) for row in rows]) for name in ("b_v", "g_v", "bp_rp"))
    wave = np.arange(350.0, 350.0 + photons.shape[1])
    return StarSpectra(wave, photons, b_v, g_v, bp_rp, tuple(row["class"] for row in rows))


def smoothed(seen: Float64, at: npt.ArrayLike, spectra: StarSpectra) -> tuple[Float64, Float64]:
    """What stars of a colour look like: a local parabola over B-V through usual ones, weights falling with distance.

    Parameters
    ----------
    seen : (k, ...) float64
        Something of each spectrum.
    at : (m,) float64
        B-V, from `BLUEST` to `REDDEST`.
    spectra : StarSpectra

    Returns
    -------
    (m, ...) float64, (u, ...) float64
        The same of stars of these colours, and what usual spectra have beside that of their own.

    Examples
    --------
    >>> stars = star_spectra()
    >>> smoothed(stars.b_v[:, None], [0.65], stars)[0].round(6).tolist()
    [[0.65]]
    """
    use = _counted(spectra)
    colour, known = spectra.b_v[use], np.asarray(seen)[use]
    made, own = (
        np.tensordot(_parabolas(colour, np.asarray(places)), known, axes=1) for places in (at, colour)
    )
    return np.asarray(made), np.asarray(known - own)


def spread_about(left: Float64, at: float, spectra: StarSpectra) -> Float64:
    """(c, c) covariance of single stars of a colour about what `smoothed` has for it.

    Parameters
    ----------
    left : (u, c) float64
        What usual spectra have beside it, as `smoothed` returns it.
    at : float
        B-V.
    spectra : StarSpectra
    """
    colour = spectra.b_v[_counted(spectra)]
    near = np.exp(-(((colour - at) / REACH) ** 2))
    return np.asarray(np.einsum("u,uc,ud->cd", near, left, left) / near.sum())


def _counted(spectra: StarSpectra) -> npt.NDArray[np.int64]:
    """Rows of the spectra that tell what usual stars look like."""
    return np.flatnonzero(spectra.usual & (spectra.b_v > BLUEST - REACH) & (spectra.b_v < REDDEST + REACH))


def _parabolas(colour: Float64, at: Float64) -> Float64:
    """(m, u) what each of u spectra counts in the parabola at m colours."""
    rows = []
    for place in at:
        weight = np.exp(-0.25 * ((colour - place) / REACH) ** 2)
        design = np.vander(colour - place, 3, increasing=True) * weight[:, None]
        rows.append(np.linalg.pinv(design)[0] * weight)
    return np.array(rows)


def dusted(spectra: StarSpectra, excess: float) -> StarSpectra:
    """The same stars behind dust that reddens them by E(B-V), as bright in V; other colours stay those of the stars."""
    photons = spectra.photons * _dust(spectra.wave_nm, excess)
    return replace(spectra, photons=photons, b_v=spectra.b_v + excess)


def _dust(wave_nm: Float64, excess: float) -> Float64:
    return np.asarray(10 ** (-0.4 * 3.1 * excess * (dust_law(np.clip(wave_nm, 303.0, 909.0)) - 1.0)))


def of_colour(b_v: float, chosen: int, spectra: StarSpectra) -> Float64:
    """(n,) the spectrum of one star of the table with as much interstellar dust before it as gives it a B-V, V = 0.

    Dust of less than none, for a star a little bluer, is the same law turned round.

    Parameters
    ----------
    b_v : float
        Wanted.
    chosen : int
        Row of the table.
    spectra : StarSpectra
    """
    return np.asarray(spectra.photons[chosen] * _dust(spectra.wave_nm, b_v - spectra.b_v[chosen]))
