"""Level and scatter of pairs of exposures, against the reference implementation of EMVA 1288 and plain NumPy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fourlight.core import pairregions
from fourlight.core.pairregions import LEAST_SIDE, MOST, edges, joined, light_variance, pair_band

AUTHORITY = Path(__file__).parents[1] / "authorities" / "photon_transfer"


def whole(first, second, zero=0.0, full=np.inf, scaled=False):
    """One region that is the whole frame."""
    columns = np.array([0, first.shape[1]])
    a, b = (np.asarray(image, dtype=np.float32) for image in (first, second))
    return joined([pair_band(a, b, columns, np.full(4, zero), full, scaled)])


def test_level_and_variance_are_those_of_the_reference_implementation() -> None:
    """EMVA 1288 release 4.0, by emva1288 1.0.2: mean of both, and variance of the difference less its mean.

    To the one sample by which the divisors differ (n - 1 here). Beyond saturation single samples that are not yet full
    are outliers, which do not count here.
    """
    frames = np.load(AUTHORITY / "frames.npz")
    told = json.loads((AUTHORITY / "emva1288.json").read_text())
    for place, key in enumerate(("0,0", "0,1", "1,0", "1,1")):
        dark = whole(*frames["dark"])
        assert (dark.first + dark.second)[place, 0] / 2 == pytest.approx(told[key]["dark_level"], rel=1e-9)
        assert dark.spread[place, 0] / 2 == pytest.approx(told[key]["dark_variance"], rel=1 / 1500)
        for k, pair in enumerate(frames["lit"][: told[key]["saturation_index"] + 1]):
            found = whole(*pair)
            level = (found.first + found.second)[place, 0] / 2 - told[key]["dark_level"]
            assert level == pytest.approx(told[key]["level"][k], rel=1e-9)
            assert found.spread[place, 0] / 2 == pytest.approx(told[key]["variance"][k], rel=1 / 1500)


def test_places_and_regions_are_those_of_plain_numpy() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(500, 9, (2, 40, 70)).astype(np.float32)
    columns = np.array([0, 32, 70])
    found = joined([pair_band(a, b, columns, np.zeros(4), 520.0, False)])
    for place in range(4):
        for r in range(2):
            p, q = (
                image[place // 2 :: 2, columns[r] : columns[r + 1]][:, place % 2 :: 2] for image in (a, b)
            )
            assert found.first[place, r] == pytest.approx(p.mean(), rel=1e-6)
            assert found.second[place, r] == pytest.approx(q.mean(), rel=1e-6)
            assert found.spread[place, r] == pytest.approx(np.var(p - q, ddof=1), rel=1e-4)
            assert found.count[place, r] == p.size
            assert found.full[place, r] == pytest.approx(np.mean((p >= 520) | (q >= 520)))


@pytest.mark.parametrize("drift", [0.9, 0.97, 1.0, 1.05, 1.1])
def test_a_lamp_that_drifts_leaves_nothing_in_the_variance(drift: float) -> None:
    """Shot noise of the common level: the line of EMVA 1288, whatever the lamp does.

    Without scaling, the drift times what samples differ in response would be in it.
    """
    rng = np.random.default_rng(8)
    gain, read, zero = 2.0, 5.0, 300.0
    response = rng.normal(1.0, 0.02, (400, 400)) * np.linspace(0.8, 1.0, 400)
    a, b = (
        np.rint((rng.poisson(20000 * f * response) + rng.normal(0, read, response.shape)) / gain + zero)
        for f in (1.0, drift)
    )
    dark = (read / gain) ** 2 + 1 / 12
    found = whole(a, b, zero, scaled=True)
    level, light = light_variance(found, np.full((4, 1), zero), np.full((4, 1), dark))
    assert level == pytest.approx(20000 * (1 + drift) / 2 * response.mean() / gain, rel=0.002)
    # 160,000 samples in all: the variance is known to sqrt(2 / 160,000) = 0.35 %
    assert (light / level).mean() == pytest.approx(1 / gain, rel=4 * 0.0036)
    plain = light_variance(whole(a, b, zero), np.full((4, 1), zero), np.full((4, 1), dark))[1]
    assert drift == 1.0 or plain.mean() > 1.02 * light.mean()


def test_particles_and_unknown_samples_do_not_count() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(500, 3, (2, 60, 60)).astype(np.float32)
    clean = whole(a, b)
    a[7, 9] += 5000
    a[20, 30] = np.nan
    found = whole(a, b)
    place = 2 * (7 % 2) + 9 % 2
    assert found.count[place, 0] == clean.count[place, 0] - 1
    assert found.count[0, 0] == clean.count[0, 0] - 1
    assert found.spread == pytest.approx(clean.spread, rel=0.01)


def test_what_holds_nothing_is_not_known() -> None:
    nothing = np.full((20, 20), np.nan, dtype=np.float32)
    found = whole(nothing, nothing)
    assert np.isnan(found.spread).all()
    assert (found.count == 0).all()
    level, light = light_variance(
        whole(np.full((20, 20), 90.0), np.full((20, 20), 90.0)), np.full((4, 1), 100.0), 0.0
    )
    assert np.isnan(level).all()
    assert np.isnan(light).all()


@pytest.mark.parametrize("length", [2, 23, 48, 97, 383, 384, 4001])
def test_regions_cover_a_side_and_begin_at_even_pixels(length: int) -> None:
    found = edges(length)
    assert found[0] == 0
    assert found[-1] == length
    assert (np.diff(found) > 0).all()
    assert (found[:-1] % 2 == 0).all()
    assert len(found) - 1 <= MOST
    assert len(found) == 2 or np.diff(found).min() >= LEAST_SIDE - 2


def test_plain_python_gives_what_the_compiled_kernel_gives() -> None:
    """Row by row of two regions, with an unknown sample and a particle."""
    rng = np.random.default_rng(12)
    a, b = rng.normal(500, 4, (2, 24, 50)).astype(np.float32)
    a[3, 4], b[10, 11] = np.nan, 4000.0
    columns = np.array([0, 24, 50])
    compiled = pair_band(a, b, columns, np.full(4, 90.0), 515.0, True)
    for place in range(4):
        for r in range(2):
            rows, cut = slice(place // 2, None, 2), slice(columns[r] + place % 2, columns[r + 1], 2)
            plain = pairregions._region.py_func(a[rows, cut], b[rows, cut], 90.0, 515.0, True)
            assert compiled[:, place, r] == pytest.approx(plain, rel=1e-12)
