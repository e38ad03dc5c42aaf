"""A plate solution: where every pixel of a picture lies on the sky, how well, and how sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.distortion import Mapping, powers
from fourlight.core.tangent import from_gnomonic, gnomonic

__all__ = ["PlateSolution", "Unsolved", "wcs_cards"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Unsolved:
    """Why there is no solution: one line."""

    reason: str
    log10_chance: float = 0.0
    """Logarithm of the bound of the chance that the best place found is wrong; 0 where none was weighed."""


@dataclass(frozen=True, slots=True)
class PlateSolution:
    """The map between pixels (whole numbers at their centres, from 0) and the sky (ICRS), with its grounds."""

    ra_deg: float
    """Of the middle of the picture, where the tangent plane touches."""
    dec_deg: float
    ny: int
    nx: int
    mapping: Mapping
    stars: int
    """Stars of the catalogue that lie on stars of the picture."""
    expected: int
    """Stars of the catalogue on the picture that were looked for."""
    rms_px: float
    """Rms residual per axis of these stars."""
    log10_chance: float
    """Logarithm of an upper bound of the chance that a field without these stars would be taken for it."""
    epoch: float
    """Julian year of the catalogue places."""
    row: Int64
    """Rows of the catalogue of the stars."""
    star: Int64
    """Numbers of the picture's stars in the list that was solved."""

    @property
    def middle(self) -> tuple[float, float]:
        """Pixel x, y where the plane touches."""
        return (self.nx - 1) / 2, (self.ny - 1) / 2

    @property
    def scale_arcsec(self) -> float:
        """Of a pixel in the middle."""
        return float(3600 * np.sqrt(abs(np.linalg.det(self.mapping.cd))))

    @property
    def mirrored(self) -> bool:
        """Whether, with y upward, east is to the right where north is up; the sky has it to the left."""
        return bool(np.linalg.det(self.mapping.cd) > 0)

    @property
    def rotation_deg(self) -> float:
        """Position angle of +y in the middle, from north through east, in [0, 360)."""
        return float(np.degrees(np.arctan2(self.mapping.cd[0, 1], self.mapping.cd[1, 1])) % 360.0)

    def sky(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Float64, Float64]:
        """Right ascension and declination of pixels, degrees."""
        u, v = (np.asarray(a, dtype=np.float64) - b for a, b in zip((x, y), self.middle, strict=True))
        return from_gnomonic(*self.mapping.standard(u, v), self.ra_deg, self.dec_deg)

    def pixel(self, ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Float64, Float64]:
        """Pixels x, y of places on the sky; NaN for those behind the plane, of no use far outside of the picture."""
        u, v = self.mapping.pixels(*gnomonic(ra_deg, dec_deg, self.ra_deg, self.dec_deg))
        return u + self.middle[0], v + self.middle[1]


def wcs_cards(solution: PlateSolution) -> dict[str, tuple[str | float | int, str]]:
    """Cards of a FITS header, value and comment.

    Calabretta & Greisen 2002 (TAN), Greisen & Calabretta 2002 (pixels count from 1), Shupe et al. 2005 (SIP).
    """
    mapping, bent = solution.mapping, solution.mapping.order > 1
    x, y = solution.middle
    suffix = "-SIP" if bent else ""
    cards: dict[str, tuple[str | float | int, str]] = {
        "WCSAXES": (2, "axes of the coordinate system"),
        "CTYPE1": (f"RA---TAN{suffix}", "tangent plane"),
        "CTYPE2": (f"DEC--TAN{suffix}", "tangent plane"),
        "CUNIT1": ("deg", ""),
        "CUNIT2": ("deg", ""),
        "CRVAL1": (solution.ra_deg, "[deg] right ascension of the reference pixel"),
        "CRVAL2": (solution.dec_deg, "[deg] declination of the reference pixel"),
        "CRPIX1": (x + 1, "reference pixel, counted from 1"),
        "CRPIX2": (y + 1, "reference pixel, counted from 1"),
        "LONPOLE": (180.0, "[deg] native longitude of the celestial pole"),
        "RADESYS": ("ICRS", "frame of the coordinates"),
    }
    for i, j in np.ndindex(2, 2):
        cards[f"CD{i + 1}_{j + 1}"] = (float(mapping.cd[i, j]), "[deg] per pixel")
    if bent:
        for names, lowest, table in (("AB", 2, mapping.forward), (("AP", "BP"), 1, mapping.back)):
            for name, row in zip(names, table, strict=True):
                cards[f"{name}_ORDER"] = (mapping.order, "order of the polynomial")
                for (p, q), value in zip(powers(mapping.order, lowest), row, strict=True):
                    cards[f"{name}_{p}_{q}"] = (float(value), "")
    return cards
