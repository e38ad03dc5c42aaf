"""Defective samples against planted ones; stars must survive even where exposures were not shifted."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core.defects import HALO, STAR_MOVED, STAR_STILL, excess_at, persistent, stars_moved

SHAPE, SKY, NOISE = (160, 200), 100.0, 10.0
Image = npt.NDArray[np.float32]


def _exposures(count: int, stars: float, dither: float, hot: dict[tuple[int, int], float]) -> list[Image]:
    """Exposures with Gaussian stars of ``stars`` px FWHM, moved by up to ``dither`` px; own Poisson noise."""
    rng, out = np.random.default_rng(1), []
    places = np.random.default_rng(2).uniform((0, 0, 2), (*SHAPE, 5), (60, 3))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    colour = np.where((y % 2 == 0) & (x % 2 == 0), 0.5, np.where((y % 2 == 1) & (x % 2 == 1), 0.4, 1.0))
    sigma = stars / 2.3548
    rows, columns = np.arange(SHAPE[0]), np.arange(SHAPE[1])
    for _ in range(count):
        dy, dx = rng.uniform(-dither, dither, 2)
        down, across = (
            np.exp(-((axis - centre[:, None]) ** 2) / (2 * sigma**2))
            for axis, centre in ((rows, places[:, 0] + dy), (columns, places[:, 1] + dx))
        )
        light = SKY + colour * np.einsum("k,ky,kx->yx", 10 ** places[:, 2], down, across, optimize=True) / (
            2 * np.pi * sigma**2
        )
        for place, excess in hot.items():
            light[place] = max(light[place] + excess, 0)
        out.append(rng.poisson(light).astype(np.float32))
    return out


def _found(exposures: list[Image], threshold: float = 6.0) -> npt.NDArray[np.bool_]:
    stack, noise = np.stack(exposures), np.full((len(exposures), 2, 2), NOISE)
    share = STAR_MOVED if stars_moved(stack, noise, 0) else STAR_STILL
    return persistent(stack, noise, 0, threshold, share)


@pytest.mark.parametrize("fwhm", [1.8, 2.5, 4.0])
@pytest.mark.parametrize(("count", "dither"), [(1, 0.0), (2, 0.0), (8, 0.0), (8, 6.0)])
def test_stars_are_not_defects(fwhm: float, count: int, dither: float) -> None:
    found = _found(_exposures(count, fwhm, dither, {}), 9.0 if count < 3 else 6.0)
    assert found.sum() <= 3  # of some 500 samples that 60 crowded stars lift


def test_hot_samples_are_found_among_dithered_stars() -> None:
    hot = {
        (20, 30): 25.0,
        (41, 77): 60.0,
        (80, 80): 300.0,
        (81, 80): 500.0,
        (100, 51): 20000.0,
        (0, 0): 200.0,
    }
    found = _found(_exposures(16, 2.5, 6.0, hot))
    assert all(found[place] for place in hot)
    assert found.sum() <= len(hot) + 1


def test_dead_samples_and_a_bad_column_are_found() -> None:
    hot = {(60, 60): -100.0} | {(y, 120): 80.0 for y in range(30, 130)}
    found = _found(_exposures(8, 2.5, 6.0, hot))
    assert found[60, 60]
    assert sum(found[place] for place in hot) >= 0.9 * len(hot)
    assert found.sum() <= len(hot) + 1


def test_a_ray_in_one_exposure_is_no_defect() -> None:
    exposures = _exposures(5, 2.5, 6.0, {})
    exposures[2][50, 50] = 60000
    assert not _found(exposures)[50, 50]


def test_noise_alone_makes_no_defects() -> None:
    rng = np.random.default_rng(3)
    for count in (1, 2, 3, 8, 16):
        noise = [rng.normal(SKY, NOISE, (300, 300)).astype(np.float32) for _ in range(count)]
        assert _found(noise).sum() == 0


def test_missing_constant_and_tiny_frames() -> None:
    holes = np.full((6, 6), np.nan, dtype=np.float32)
    assert not _found([holes, holes]).any()
    assert not _found([np.full((6, 6), 5, dtype=np.float32)]).any()
    assert not _found([np.ones((1, 1), dtype=np.float32)]).any()


def test_bands_decide_as_the_whole_frame_does() -> None:
    exposures = np.stack(_exposures(8, 2.5, 6.0, {(41, 77): 60.0, (80, 80): 300.0}))
    noise = np.random.default_rng(4).uniform(8, 12, (8, 2, 2))
    whole = persistent(exposures, noise, 0, 6.0, STAR_MOVED)
    for y0 in (37, 60):
        part = persistent(exposures[:, y0 - HALO : y0 + 40 + HALO], noise, y0 - HALO, 6.0, STAR_MOVED)
        np.testing.assert_array_equal(part[HALO:-HALO], whole[y0 : y0 + 40])


def test_excess_is_in_units_of_the_noise_or_of_the_scatter_around() -> None:
    image = np.zeros((9, 9), dtype=np.float32)
    image[4, 4] = 12
    assert excess_at(image, 4, 4, 2.0) == (6.0, 6.0)
    image[2, ::2] = 100
    excess, contrast = excess_at(image, 4, 4, 2.0)
    assert excess == 6.0
    assert contrast == pytest.approx(12 / 80)
    assert np.isnan(excess_at(image, 9, 4, 2.0)[0])


def _slow_excess(image: Image, y: int, x: int) -> tuple[float, float]:
    """Excess of a sample over the median of its known neighbours in units of `NOISE`, and of their scatter."""
    near = [
        image[yy, xx]
        for yy in (y - 2, y, y + 2)
        for xx in (x - 2, x, x + 2)
        if (yy, xx) != (y, x) and 0 <= yy < image.shape[0] and 0 <= xx < image.shape[1]
    ]
    near = sorted(value for value in near if np.isfinite(value))
    if len(near) < 3:
        return np.nan, np.nan
    quarter = len(near) // 4
    scatter = 0.8 * (near[-1 - quarter] - near[quarter])
    away = float(image[y, x] - np.median(near))
    return away / NOISE, away / (scatter if scatter > 2 * NOISE else NOISE)


def _middles(values: list[float]) -> npt.NDArray[np.float64]:
    known = np.sort([value for value in values if np.isfinite(value)])
    return known[[(len(known) - 1) // 2, len(known) // 2]] if len(known) else np.zeros(1)


@pytest.mark.parametrize("count", [1, 2, 5, 16])
def test_quick_looks_lose_no_sample_that_all_exposures_show(count: int) -> None:
    """Compared with looking at every sample of every exposure; lone samples, so that none is a star."""
    rng = np.random.default_rng(count)
    stack = rng.normal(SKY, NOISE, (count, 50, 60)).astype(np.float32)
    stack[:, ::7, ::9] += rng.uniform(-120, 120, stack[0, ::7, ::9].shape)
    stack[rng.random(stack.shape) < 0.05] = np.nan
    stack[:, 20:23, 30:34] = np.nan
    error = np.sqrt(np.pi / 2 / count) if count > 2 else 1.0
    expected = np.zeros(stack.shape[1:], dtype=bool)
    for place in np.ndindex(expected.shape):
        found = [_slow_excess(image, *place) for image in stack if np.isfinite(image[place])]
        excess, contrast = (_middles([pair[k] for pair in found]) for k in range(2))
        clear = (np.abs(contrast) >= max(3.0 * error, 1.5)).all()
        least = max(6.0 * error, 1.5)
        expected[place] = clear and ((excess >= least).all() or (excess <= -least).all())
    assert expected.sum() > 10
    np.testing.assert_array_equal(persistent(stack, np.full((count, 2, 2), NOISE), 0, 6.0, 1.0), expected)
