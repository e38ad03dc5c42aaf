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
    ("Rigil Kentaurus", 219.902, -60.834), ("Toliman", 219.896, -60.838), ("Miaplacidus", 138.300, -69.717),
    ("Alnair", 332.058, -46.961), ("Kaus Australis", 276.043, -34.385), ("Wezen", 107.098, -26.393),
    ("Avior", 125.628, -59.509), ("Sargas", 264.330, -42.998), ("Menkalinan", 89.882, 44.947),
    ("Atria", 252.166, -69.028), ("Alhena", 99.428, 16.399), ("Alsephina", 131.176, -54.709),
    ("Peacock", 306.412, -56.735), ("Mirzam", 95.675, -17.956), ("Menkent", 211.671, -36.370),
    ("Tiaki", 340.667, -46.885), ("Aspidiske", 139.273, -59.275), ("Naos", 120.896, -40.003),
    ("Suhail", 136.999, -43.433), ("Dschubba", 240.083, -22.622), ("Larawag", 252.541, -34.293),
    ("Izar", 221.247, 27.074), ("Ankaa", 6.571, -42.306), ("Sabik", 257.595, -15.725),
    ("Aludra", 111.024, -29.303), ("Markeb", 140.528, -55.011), ("Aljanah", 311.553, 33.970),
    ("Menkar", 45.570, 4.090), ("Acrab", 241.359, -19.805), ("Zosma", 168.527, 20.524), ("Arneb", 83.183, -17.822),
    ("Ascella", 285.653, -29.880), ("Zubeneschamali", 229.252, -9.383), ("Unukalhai", 236.067, 6.426),
    ("Sheratan", 28.660, 20.808), ("Kraz", 188.597, -23.397), ("Mahasim", 89.930, 37.213),
    ("Phact", 84.912, -34.074), ("Ruchbah", 21.454, 60.235), ("Muphrid", 208.671, 18.398),
    ("Hassaleh", 74.248, 33.166), ("Lesath", 262.691, -37.296), ("Kaus Media", 275.249, -29.828),
    ("Tarazed", 296.565, 10.613), ("Athebyne", 245.998, 61.514), ("Yed Prior", 243.586, -3.694),
    ("Porrima", 190.415, -1.449), ("Hatysa", 83.858, -5.910), ("Zubenelgenubi", 222.720, -16.042),
    ("Cebalrai", 265.868, 4.567), ("Cursa", 76.962, -5.086), ("Kornephoros", 247.555, 21.490),
    ("Rasalgethi", 258.662, 14.390), ("Imai", 183.786, -58.749), ("Rastaban", 262.608, 52.301),
    ("Nihal", 82.061, -20.759), ("Kaus Borealis", 276.993, -25.422), ("Paikauhale", 248.971, -28.216),
    ("Algenib", 3.309, 15.184), ("Tureis", 121.886, -24.304), ("Deneb Algedi", 326.760, -16.127),
    ("Vindemiatrix", 195.544, 10.959), ("Fawaris", 296.244, 45.131), ("Tejat", 95.740, 22.514),
    ("Acamar", 44.565, -40.305), ("Albaldah", 287.441, -21.024), ("Cor Caroli", 194.007, 38.318),
    ("Fang", 239.713, -26.114), ("Gomeisa", 111.788, 8.289), ("Alniyat", 245.297, -25.593),
    ("Sadalsuud", 322.890, -5.571), ("Matar", 340.751, 30.221), ("Algorab", 187.466, -16.515),
    ("Sadalmelik", 331.446, -0.320), ("Tianguan", 84.411, 21.143), ("Zaurak", 59.507, -13.509),
    ("Alnasl", 271.452, -30.424), ("Okab", 286.353, 13.863),
)  # fmt: skip
"""Names that the IAU has approved (IAU Catalog of Star Names, Working Group on Star Names, list of 2022-04-04, CC BY
4.0) with places at J2000, degrees: all that it has to V = 3; of double stars the brighter first."""


def names(stars: CatalogueStars) -> list[str]:
    """The proper name of every star, else its designation.

    >>> from fourlight.sky.catalogue import cone
    >>> names(cone(279.2, 38.8, 0.5, faintest=2.0))
    ['Vega']
    """
    places = directions([ra for _, ra, _ in NAMED], [dec for _, _, dec in NAMED])
    free, found = np.ones(len(NAMED), dtype=np.bool_), []
    for direction, v, ra, dec in zip(stars.direction, stars.v_mag, stars.ra_deg, stars.dec_deg, strict=True):
        # of two that are near a place, the brighter bears the name
        near = np.flatnonzero(free & (places @ direction > np.cos(np.radians(NEAR_DEG))))
        if v < BRIGHT and len(near):
            free[near[0]] = False
            found.append(NAMED[near[0]][0])
        else:
            found.append(designation(float(ra), float(dec)))
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
