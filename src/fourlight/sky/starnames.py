"""Proper names of the brightest stars, by their place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.sky.catalogue import CatalogueStars, directions

__all__ = ["designation", "names"]

Float64 = npt.NDArray[np.float64]

NEAR_DEG, BRIGHT = 0.04, 4.5
NAMED = (
    ("Sirius", 101.287, -16.716), ("Canopus", 95.988, -52.696), ("Arcturus", 213.915, 19.182),
    ("Vega", 279.235, 38.784), ("Capella", 79.172, 45.998), ("Rigel", 78.634, -8.202),
    ("Procyon", 114.825, 5.225), ("Achernar", 24.429, -57.237), ("Betelgeuse", 88.793, 7.407),
    ("Hadar", 210.956, -60.373), ("Altair", 297.696, 8.868), ("Acrux", 186.650, -63.099),
    ("Aldebaran", 68.980, 16.509), ("Antares", 247.352, -26.432), ("Spica", 201.298, -11.161),
    ("Pollux", 116.329, 28.026), ("Fomalhaut", 344.413, -29.622), ("Deneb", 310.358, 45.280),
    ("Mimosa", 191.930, -59.689), ("Regulus", 152.093, 11.967), ("Adhara", 104.656, -28.972),
    ("Castor", 113.650, 31.888), ("Shaula", 263.402, -37.104), ("Gacrux", 187.791, -57.113),
    ("Bellatrix", 81.283, 6.350), ("Elnath", 81.573, 28.608), ("Alnilam", 84.053, -1.202),
    ("Alnitak", 85.190, -1.943), ("Mintaka", 83.002, -0.299), ("Saiph", 86.939, -9.670),
    ("Alioth", 193.507, 55.960), ("Dubhe", 165.932, 61.751), ("Merak", 165.460, 56.382),
    ("Phecda", 178.458, 53.695), ("Megrez", 183.857, 57.033), ("Mizar", 200.981, 54.925),
    ("Alkaid", 206.885, 49.313), ("Mirfak", 51.081, 49.861), ("Algol", 47.042, 40.956),
    ("Polaris", 37.955, 89.264), ("Kochab", 222.676, 74.156), ("Hamal", 31.793, 23.462),
    ("Diphda", 10.897, -17.987), ("Alpheratz", 2.097, 29.090), ("Mirach", 17.433, 35.621),
    ("Almach", 30.975, 42.330), ("Schedar", 10.127, 56.537), ("Caph", 2.294, 59.150),
    ("Rasalhague", 263.734, 12.560), ("Denebola", 177.265, 14.572), ("Algieba", 154.993, 19.842),
    ("Alphard", 141.897, -8.659), ("Alphecca", 233.672, 26.715), ("Eltanin", 269.152, 51.489),
    ("Sadr", 305.557, 40.257), ("Albireo", 292.680, 27.960), ("Gienah", 183.952, -17.542),
    ("Enif", 326.046, 9.875), ("Scheat", 345.944, 28.083), ("Markab", 346.190, 15.205),
    ("Alderamin", 319.645, 62.586), ("Nunki", 283.816, -26.297), ("Alcyone", 56.871, 24.105),
)  # fmt: skip
"""Proper names in common use with places at J2000, degrees."""


def names(stars: CatalogueStars) -> list[str]:
    """The proper name of every star, else its designation.

    >>> from fourlight.sky.catalogue import cone
    >>> names(cone(279.2, 38.8, 0.5, faintest=2.0))
    ['Vega']
    """
    places = directions([ra for _, ra, _ in NAMED], [dec for _, _, dec in NAMED])
    near = stars.direction @ places.T > np.cos(np.radians(NEAR_DEG))
    found = []
    for k in range(len(stars)):
        # of two that are near a place, the brighter bears the name
        mine = [n for n in np.flatnonzero(near[k]) if stars.v_mag[k] < BRIGHT and not near[:k, n].any()]
        found.append(
            NAMED[mine[0]][0] if mine else designation(float(stars.ra_deg[k]), float(stars.dec_deg[k]))
        )
    return found


def designation(ra_deg: float, dec_deg: float) -> str:
    """A place as a name: hours and minutes, degrees and minutes, both cut off as designations are.

    >>> designation(303.2, 46.0183), designation(0.02, -5.999)
    ('J2012.8+4601', 'J0000.0-0559')
    """
    minutes = int(ra_deg * 40 + 1e-6)
    arcmin = int(abs(dec_deg) * 60 + 1e-6)
    sign = "-" if dec_deg < 0 else "+"
    return f"J{minutes // 600:02d}{minutes % 600 / 10:04.1f}{sign}{arcmin // 60:02d}{arcmin % 60:02d}"
