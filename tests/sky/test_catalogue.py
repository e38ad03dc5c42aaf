"""The star table against rows of its source, well-known stars, and a slow search."""

import csv
from pathlib import Path

import numpy as np
import pytest

from fourlight.sky import catalogue
from fourlight.sky.starcells import HEIGHT_DEG, band_cells, unpacked

SAMPLE = Path(__file__).parents[1] / "authorities" / "star_table" / "sample.csv"


def apart_arcsec(ra_a, dec_a, ra_b, dec_b):
    """Angles between places, by the haversine formula."""
    a, b, c, d = (np.radians(v) for v in (ra_a, dec_a, ra_b, dec_b))
    h = np.sin((d - b) / 2) ** 2 + np.cos(b) * np.cos(d) * np.sin((c - a) / 2) ** 2
    return np.degrees(2 * np.arcsin(np.sqrt(h))) * 3600


@pytest.fixture(scope="module")
def whole():
    return catalogue.all_stars()


def test_rows_of_the_source_come_back():
    """Rows of the file that the table was made from, within what packing may lose."""
    with SAMPLE.open(encoding="utf-8") as stream:
        rows = np.array([[float(v) for v in row] for row in list(csv.reader(stream))[1:]])
    assert len(rows) == 100
    for ra, dec, v, b_v, pm_ra, pm_dec in rows:
        then, later = (catalogue.cone(ra, dec, 0.2, epoch=epoch) for epoch in (2000.0, 2100.0))
        k = np.lexsort((np.abs(then.v_mag - v), apart_arcsec(then.ra_deg, then.dec_deg, ra, dec).round(1)))[0]
        assert np.abs(then.dec_deg[k] - dec) * 3600 < 0.05
        assert np.abs(then.ra_deg[k] - ra) * 3600 * np.cos(np.radians(dec)) < 0.05
        assert then.v_mag[k] == pytest.approx(v, abs=0.005)
        assert then.b_v[k] == pytest.approx(b_v, abs=0.005, nan_ok=True)
        j = np.flatnonzero(later.row == then.row[k])[0]
        up = (later.dec_deg[j] - then.dec_deg[k]) * 36000
        assert up == pytest.approx(pm_dec, abs=0.51)
        along = ((later.ra_deg[j] - then.ra_deg[k] + 180) % 360 - 180) * 36000
        assert along * np.cos(np.radians(later.dec_deg[j])) == pytest.approx(pm_ra, abs=0.51)


@pytest.mark.parametrize(
    ("ra", "dec", "v", "b_v"),
    [
        (279.23473, 38.78369, 0.03, None),
        (101.28716, -16.71612, -1.46, None),
        (37.95456, 89.26411, 2.02, 0.60),
        (88.79294, 7.40706, 0.50, 1.85),
        (10.89738, -17.98661, 2.04, 1.02),
    ],
)
def test_well_known_stars(ra, dec, v, b_v):
    """Places (ICRS, 2000.0), V and B-V of Vega, Sirius, Polaris, Betelgeuse and Diphda in handbooks, from memory.

    The source rounds places to 0.36 arcsec; bright stars vary or saturate its magnitudes.
    """
    found = catalogue.cone(ra, dec, 0.05, faintest=4.0)
    assert len(found) == 1
    assert apart_arcsec(found.ra_deg[0], found.dec_deg[0], ra, dec) < 0.5
    assert found.v_mag[0] == pytest.approx(v, abs=0.1)
    assert b_v is None or found.b_v[0] == pytest.approx(b_v, abs=0.1)


def test_a_fast_star_is_where_it_was_seen():
    """Barnard's star at 1991.25: 269.454023, 4.668288 degrees (Hipparcos catalogue, from memory); in 2000 it was 90
    arcsec further north."""
    then, now = (catalogue.cone(269.453, 4.68, 0.1, epoch=epoch) for epoch in (1991.25, 2000.0))
    star = then.chosen(np.abs(then.v_mag - 9.54) < 0.02)
    assert len(star) == 1
    assert apart_arcsec(star.ra_deg[0], star.dec_deg[0], 269.454023, 4.668288) < 1.2
    later = now.chosen(now.row == star.row[0])
    assert (later.dec_deg[0] - star.dec_deg[0]) * 3600 == pytest.approx(8.75 * 10.33, abs=1.0)


@pytest.mark.parametrize(
    ("ra", "dec", "radius"),
    [(0.1, 5.0, 1.0), (359.9, -60.0, 2.5), (77.0, 89.5, 1.0), (200.0, -89.9, 3.0), (15.0, 85.0, 7.0)],
)
def test_a_cone_holds_what_a_search_through_all_finds(whole, ra, dec, radius):
    near = apart_arcsec(whole.ra_deg, whole.dec_deg, ra, dec) <= radius * 3600
    found = catalogue.cone(ra, dec, radius)
    assert np.array_equal(np.sort(found.row), np.sort(whole.row[near]))
    assert (np.diff(found.v_mag) >= 0).all()


def test_counts_of_the_sky(whole):
    """Stars brighter than 6.5 over the sky: about 9100 (Bright Star Catalogue: 9096 stars); Tycho-2 has about a million
    to V = 11 (Høg et al. 2000: 2.5 million to about 11.5, 99 % complete to 11.0)."""
    assert (whole.v_mag < 6.5).sum() == pytest.approx(9100, rel=0.1)
    assert 0.9e6 < len(whole) < 1.05e6
    assert np.isnan(whole.b_v).mean() < 0.003


def test_stars_are_even_across_the_edges_of_cells(whole):
    """A place cut at the edge of its cell would leave gaps and heaps."""
    part = (whole.dec_deg + 90) / HEIGHT_DEG % 1
    counts = np.histogram(part, bins=20, range=(0, 1))[0]
    assert np.abs(counts / counts.mean() - 1).max() < 0.02
    assert int(band_cells().sum()) * HEIGHT_DEG**2 == pytest.approx(41253, rel=0.01)


def test_a_wide_cone_looks_at_little_of_the_sky(monkeypatch):
    """A cone of 5 degrees is 0.19 % of the sky; of its 980,000 stars no more are read than twice those in it."""
    read = []
    monkeypatch.setattr(
        catalogue, "unpacked", lambda records, cells: read.append(len(cells)) or unpacked(records, cells)
    )
    found = catalogue.cone(83.0, 0.0, 5.0)
    assert 1000 < len(found) <= read[0] < 2 * len(found)
    assert len(read) == 1
