"""Photon transfer against the simulation of Janesick's method: g = 1.35 e/ADU, R = 3.2 e, 400 x 400 samples.

Source: the formula is that of Howell 2006, section 4.3, numbers are chosen; gain within 1 %; what bias pairs show is
sqrt(3.2^2 + 1.35^2 / 12) = 3.22 e, of which the read noise itself is 3.2 e.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core.cells import cell_noise
from fourlight.core.transfer import pair_gain, pair_read_noise, variance_line

GAIN, READ, SHAPE = 1.35, 3.2, (400, 400)
Image = npt.NDArray[np.float64]


class Camera:
    """A sensor with vignetting and 1 % PRNU."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        self.response = (1 - 0.3 * ((x - 200) ** 2 + (y - 200) ** 2) / 8e4) * self.rng.normal(1, 0.01, SHAPE)

    def expose(self, level_e: float) -> Image:
        electrons = self.rng.poisson(level_e * self.response) + self.rng.normal(0, READ, SHAPE)
        return np.rint(electrons / GAIN + 500)


@pytest.mark.parametrize("level_e", [500.0, 4000.0, 20000.0])
def test_gain_of_flat_and_bias_pairs(level_e: float) -> None:
    found = []
    for seed in range(4):
        camera = Camera(seed)
        flats = camera.expose(level_e), camera.expose(level_e * 1.03)
        gain = pair_gain(cell_noise(*flats, 64), cell_noise(camera.expose(0), camera.expose(0), 64))
        assert gain is not None
        assert gain[1] < 0.02 * gain[0]
        found.append(gain[0])
    assert np.mean(found) == pytest.approx(GAIN, rel=0.01)


def test_read_noise_of_bias_pairs_without_and_with_quantisation() -> None:
    pairs = [cell_noise(camera.expose(0), camera.expose(0), 64) for camera in map(Camera, range(4))]
    alone = GAIN * np.mean([pair_read_noise(pair, 1.0) for pair in pairs])  # type: ignore[misc]
    whole = GAIN * np.mean([pair_read_noise(pair, 0.0) for pair in pairs])  # type: ignore[misc]
    assert alone == pytest.approx(3.20, rel=0.01)
    assert whole == pytest.approx(3.22, rel=0.01)


def test_line_gives_gain_and_read_noise_back() -> None:
    camera, level, variance = Camera(9), [], []
    for sky in (40.0, 120.0, 400.0, 1000.0):
        found = cell_noise(camera.expose(sky), camera.expose(sky), 40)
        level.append(found.level)
        variance.append(found.variance)
    line = variance_line(np.concatenate(level), np.concatenate(variance))
    assert line is not None
    assert 1 / line.slope == pytest.approx(GAIN, abs=4 * line.slope_error / line.slope**2)
    assert line.slope_error < 0.01 * line.slope
    dark, error = line.at(500.0)
    assert dark == pytest.approx((READ / GAIN) ** 2 + 1 / 12, abs=4 * error)


def test_line_is_not_bent_by_outlying_cells() -> None:
    rng = np.random.default_rng(10)
    level = rng.uniform(100, 1000, 400)
    variance = (5 + level / 2) * rng.normal(1, 0.05, 400)
    variance[:40] *= rng.uniform(1.5, 10, 40)
    line = variance_line(level, variance)
    assert line is not None
    assert line.slope == pytest.approx(0.5, abs=4 * line.slope_error)
    assert line.slope_error < 0.01


def test_line_of_too_little() -> None:
    assert variance_line(np.ones(100), np.ones(100)) is None
    assert variance_line(np.arange(5.0), np.ones(5)) is None
    assert variance_line(np.full(50, np.nan), np.ones(50)) is None


def test_pairs_that_tell_nothing() -> None:
    flat = np.full((200, 200), 500.0)
    nothing = cell_noise(flat, flat, 64)
    assert pair_gain(nothing, nothing) is None
    assert pair_read_noise(nothing) is None
