"""Signal over noise of a stack that grows, and what is foreseen."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.stages.live_snr import Target, forecast, halves_noise


def test_it_grows_as_the_root_of_the_number_of_subs() -> None:
    """Noise of a mean of n falls as 1 / sqrt n (any textbook); three colours add up in squares."""
    target = Target("object", np.array([3.0, 4.0, 0.0]), 1.0)
    variance = np.array([1.0, 1.0, 1.0])[None] / np.arange(1, 101)[:, None]
    assert target.snr(variance) == pytest.approx(5 * np.sqrt(np.arange(1, 101)))
    assert target.snr(np.array([np.nan, 1.0, 0.0])) == pytest.approx(4.0)


def test_a_star_is_held_against_the_noise_of_its_shape() -> None:
    """Simulated: the best linear estimate of the flux of a Gaussian star has signal over noise F / sqrt(4 pi s^2 v)
    (King 1983, PASP 95, 163: 4 pi s^2 pixels of noise)."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-12:13, -12:13]
    shape = np.exp(-(x**2 + y**2) / (2 * 1.8**2))
    shape /= shape.sum()
    seen = [
        ((800 * shape + rng.normal(0, 3, shape.shape)) * shape).sum() / (shape**2).sum() for _ in range(4000)
    ]
    target = Target("star", np.array([0.0, 800.0, 0.0]), 4 * np.pi * 1.8**2)
    assert float(target.snr(np.full(3, 9.0))) == pytest.approx(800 / np.std(seen), rel=0.04)


@pytest.mark.parametrize("shared", [0.0, 0.6])
def test_the_interval_holds_what_comes(shared: float) -> None:
    """Of 300 simulated nights whose subs scatter by 15 %, 95 % end within the interval, to what 300 fix (2.5 %)
    and to 4 % for neighbours that are alike, whose likeness is estimated from 40."""
    rng, held, nights = np.random.default_rng(2), 0, 300
    for _ in range(nights):
        steps = rng.normal(0, 0.15, 200)
        for k in range(1, 200):
            steps[k] = shared * steps[k - 1] + np.sqrt(1 - shared**2) * steps[k]
        told = 2.0 * (1 + steps)
        found = forecast(told[:80].tolist(), 30.0, 3600.0)
        assert found is not None
        assert found.subs == 120
        true = np.sqrt(told.sum() / told[:80].sum())
        held += found.low <= true <= found.high
    assert (0.92 if shared == 0 else 0.91) < held / nights <= 0.99
    assert found.low < found.ratio < found.high


def test_subs_set_aside_count_as_time_without_light() -> None:
    found = forecast([2.0, 0.0] * 50, 10.0, 1000.0)
    assert found is not None
    assert found.ratio == pytest.approx(np.sqrt(2))


@pytest.mark.parametrize(
    ("told", "gap"), [([], 10.0), ([1.0, 1.0], 10.0), ([1.0] * 9, 0.0), ([0.0] * 9, 10.0)]
)
def test_too_little_is_known(told: list[float], gap: float) -> None:
    assert forecast(told, gap, 3600.0) is None


def test_noise_between_halves_is_told_beside_stars_and_sky() -> None:
    """White noise of known size, a smooth difference of the sky over it and a star that is hidden; claimed is 0.8 of
    it in sigma."""
    rng = np.random.default_rng(3)
    ny, nx = 400, 480
    y, x = np.mgrid[0:ny, 0:nx]
    sky = 8.0 * x / nx
    halves = {half: rng.normal(100, 2.0, (ny, nx)).astype(np.float32) for half in "ab"}
    halves["a"] += sky.astype(np.float32)
    halves["a"][100:140, 100:140] += 500
    hidden = (y >= 100) & (y < 140) & (x >= 100) & (x < 140)

    def read(_plane: str, layer: str) -> np.ndarray:
        kind, _, half = layer.partition("_")
        return halves[half] if kind == "value" else np.full((ny, nx), (0.8 * 2.0) ** 2, np.float32)

    assert halves_noise(read, hidden) == pytest.approx(1 / 0.8, rel=0.04)
    halves["b"][:] = np.nan
    assert np.isnan(halves_noise(read, hidden))
