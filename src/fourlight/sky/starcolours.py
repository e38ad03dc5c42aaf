"""Magnitudes of the channels of a camera from V and B-V of stars: through its own curves, or in the standard system."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import ab_magnitudes
from fourlight.sky.starspectra import BLUEST, REDDEST, StarSpectra, smoothed, spread_about, star_spectra

__all__ = ["SUN_B_V", "StarColours", "standard_colours", "through"]

Float64 = npt.NDArray[np.float64]

SUN_B_V = 0.653
"""Of the Sun: 0.653 +- 0.003 (Ramirez et al. 2012, ApJ 752, 5)."""

GRID = np.arange(BLUEST, REDDEST + 0.005, 0.01)

STANDARD = {
    "R": (0.10979647, -0.14579334, 0.10747392, -0.1063592, 0.08494556, -0.01368962),
    "G": (-0.02330159, 0.12884074, 0.22149167, -0.1455048, 0.10635149, -0.0236399),
    "B": (-0.13748689, 0.44265552, 0.37878846, -0.14923841, 0.09172474, -0.02594726),
}
"""Magnitude of a channel less G of Gaia, polynomial in BP-RP from -0.5 to 2 (Cardiel et al. 2021, MNRAS 507, 318,
equations 2 to 4)."""


@dataclass(frozen=True, slots=True, eq=False)
class StarColours:
    """What stars of a B-V look like in c channels."""

    channels: tuple[str, ...]
    table: Float64
    """(m, c) magnitude of the channel (AB) less V, on `GRID`."""
    left: Float64
    """(u, c) what usual spectra have beside it."""
    system: str
    """Whose magnitudes these are, in words."""
    own: bool = True
    """Whether they are those of the camera's own curves; else of the standard system."""
    shape: Float64 | None = None
    """(m, c) what the table has more than a camera would: only how it bends over B-V counts."""

    def less_v(self, b_v: npt.ArrayLike) -> Float64:
        """(n, c) magnitudes less V at B-V; the ends of the table go on beyond them."""
        wanted = np.asarray(b_v, dtype=np.float64)
        return np.stack([np.interp(wanted, GRID, column) for column in self.table.T], axis=-1)

    def spread(self, b_v: float) -> Float64:
        """(c, c) covariance of single stars of a B-V about what such stars have in the mean, magnitudes."""
        return spread_about(self.left, min(max(b_v, BLUEST), REDDEST), star_spectra())

    def beside(self, camera: StarColours) -> StarColours:
        """These colours where they stand for an unknown camera, with what a usual one shows single stars to be."""
        return replace(self, left=camera.left, shape=self.table - camera.table)

    def bent(self, b_v: float, stars: Float64) -> Float64:
        """(c,) magnitudes by which the shape of the table may be off at B-V, a line through stars of others aside."""
        if self.shape is None:
            return np.zeros(len(self.channels))
        seen = np.stack([np.interp(stars, GRID, column) for column in self.shape.T], axis=-1)
        here = np.array([np.interp(b_v, GRID, column) for column in self.shape.T])
        return np.asarray(here - np.linalg.pinv(np.vander(stars - b_v, 2, increasing=True))[0] @ seen)

    def b_v_of(self, magnitude: Float64) -> float | None:
        """B-V of a star with these colours (c,), from its reddest against its bluest channel; None beyond the table."""
        steep = np.array([np.polyfit(GRID, column, 1)[0] for column in self.table.T])
        blue, red = int(steep.argmax()), int(steep.argmin())
        colour, seen = self.table[:, blue] - self.table[:, red], magnitude[blue] - magnitude[red]
        if blue == red or not colour[0] <= seen <= colour[-1] or not (np.diff(colour) > 0).all():
            return None
        return float(np.interp(seen, colour, GRID))


def through(
    wave_nm: Float64, curves: Float64, channels: tuple[str, ...], system: str, air: Float64 | None = None
) -> StarColours:  # fmt: skip
    """Colours of stars through passbands, magnitudes as above the air.

    Parameters
    ----------
    wave_nm : (n,) float64
    curves : (c, n) float64
        Electrons per photon, in any unit.
    channels : tuple of str
    system : str
    air : (n,) float64, optional
        What the air passes: it changes how stars of other colours than the Sun's compare with those of its colour.
    """
    stars = star_spectra()
    photons = np.stack([np.interp(wave_nm, stars.wave_nm, row) for row in stars.photons])
    found = _smoothed(ab_magnitudes(wave_nm, curves, photons), channels, system, stars, own=True)
    if air is None:
        return found
    seen = _smoothed(ab_magnitudes(wave_nm, curves * air, photons), channels, system, stars, own=True)
    return replace(seen, table=seen.table + found.less_v(SUN_B_V) - seen.less_v(SUN_B_V))


def standard_colours() -> StarColours:
    """Colours of stars in the standard system of red, green and blue.

    >>> found = standard_colours()
    >>> found.less_v(SUN_B_V).round(1).tolist()
    [-0.1, 0.0, 0.3]
    """
    stars = star_spectra()
    powers = np.clip(stars.bp_rp, -0.5, 2.0)[:, None] ** np.arange(6)
    less_v = powers @ np.array(list(STANDARD.values())).T + stars.g_v[:, None]
    name = "the standard RGB system (Cardiel et al. 2021)"
    return _smoothed(less_v, tuple(STANDARD), name, stars, own=False)


def _smoothed(
    less_v: Float64, channels: tuple[str, ...], system: str, stars: StarSpectra, *, own: bool
) -> StarColours:
    table, left = smoothed(less_v, GRID, stars)
    return StarColours(channels, table, left, system, own)
