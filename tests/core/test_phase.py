"""The diagonal of the greens from pixels alone.

The scenes are painted here, star by star, with plain numpy; the truth is the pattern they are painted with.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import maximum_filter

from fourlight.core.cfa import PATTERNS, cropped, plane_map
from fourlight.core.phase import ANTI, CLEAR_SIGMA, MAIN, _added, _maxima, diagonal_of, green_diagonal

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"
TRUTH = {"RGGB": ANTI, "BGGR": ANTI, "GRBG": MAIN, "GBRG": MAIN}


def scene(
    pattern: str | None,
    *,
    sky: tuple[float, float, float],
    stars: int = 0,
    fwhm: float = 3.0,
    nebula: tuple[float, float, float] = (0, 0, 0),
    through: tuple[float, float, float] = (1, 1, 1),
    pedestal: float = 500.0,
    seed: int = 1,
    size: int = 320,
) -> np.ndarray:
    """A mosaic frame in ADU: Poisson noise with one electron per ADU and read noise 3.

    ``sky``, ``nebula``: ADU in R, G, B; ``through``: what the filter passes of the stars in R, G, B.
    ``pattern`` None paints a monochrome frame.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:size, 0:size]
    blob = np.exp(-((y - size * 0.4) ** 2 + (x - size * 0.6) ** 2) / (2 * (size / 5) ** 2))
    planes = [level + glow * blob for level, glow in zip(sky, nebula, strict=True)]
    sigma = fwhm / 2.3548
    for _ in range(stars):
        cy, cx = rng.uniform(0, size, 2)
        flux = 400.0 * rng.pareto(1.2) + 3000.0
        colour = rng.normal(0.0, 0.35)
        y0, x0 = max(int(cy) - 10, 0), max(int(cx) - 10, 0)
        part = np.s_[y0 : y0 + 21, x0 : x0 + 21]
        profile = np.exp(-((y[part] - cy) ** 2 + (x[part] - cx) ** 2) / (2 * sigma**2)) / (
            2 * np.pi * sigma**2
        )
        for n, factor in enumerate((0.6 * np.exp(colour), 1.0, 0.7 * np.exp(-colour))):
            planes[n][part] += flux * factor * through[n] * profile
    if pattern is None:
        light = planes[1]
    else:
        colour_of = np.array([0, 1, 1, 2])[plane_map(pattern)]
        light = np.select([np.tile(colour_of, (size // 2, size // 2)) == n for n in range(3)], planes)
    frame = rng.poisson(np.maximum(light, 0)) + rng.normal(pedestal, 3.0, light.shape)
    return np.clip(frame, 0, 65535).astype(np.float32)


def full(level: float) -> tuple[float, float, float]:
    return (level, level, level)


SCENES = {
    "stars over a grey sky": {"sky": full(200), "stars": 150},
    "stars, undersampled": {"sky": full(200), "stars": 250, "fwhm": 1.6},
    "stars over a coloured sky": {"sky": (150, 300, 220), "stars": 60},
    "flat sky": {"sky": (400, 700, 550)},
    "hydrogen filter": {"sky": (40, 4, 1), "stars": 120, "through": (1, 0.03, 0.01)},
    "oxygen filter": {"sky": (1, 30, 18), "stars": 120, "through": (0.02, 1, 0.7)},
    "red nebula over a neutral sky": {"sky": full(200), "nebula": (400, 60, 30)},
    "without pedestal": {"sky": (40, 80, 60), "stars": 40, "pedestal": 0.0},
}


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("name", SCENES)
def test_found_in_every_kind_of_scene(name: str, pattern: str) -> None:
    phase = green_diagonal(scene(pattern, **SCENES[name]), 65535.0)  # type: ignore[arg-type]
    assert phase.diagonal == TRUTH[pattern] == diagonal_of(pattern), phase
    assert not phase.mono


@pytest.mark.parametrize("name", ["unsolved.fits", "solved.fits.fz"])
def test_the_real_pair_has_its_greens_on_the_main_diagonal(name: str) -> None:
    """GBRG by the colours of 79 catalogue stars (README there); odd crops move the phase."""
    image = np.asarray(fits.getdata(REAL / name)).astype(np.float32)
    for dy, dx in ((0, 0), (1, 0), (0, 1), (1, 1)):
        phase = green_diagonal(image[dy:, dx:])
        assert phase.diagonal == TRUTH[cropped("GBRG", dy, dx)]
        assert abs(phase.sigma) > 20


def test_stars_and_levels_each_find_it_in_the_real_frame() -> None:
    phase = green_diagonal(np.asarray(fits.getdata(REAL / "unsolved.fits")).astype(np.float32))
    assert phase.level_sigma > 20
    assert phase.star_sigma > 4
    assert phase.stars > 200


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("fwhm", [1.6, 3.0, 5.0])
def test_a_monochrome_frame_is_no_mosaic(seed: int, fwhm: float) -> None:
    phase = green_diagonal(scene(None, sky=full(300), stars=200, fwhm=fwhm, seed=seed))
    assert phase.mono
    assert phase.diagonal is None


@pytest.mark.parametrize("seed", range(10))
def test_nothing_to_see_says_nothing(seed: int) -> None:
    """Darks, and a grey sky without stars: five sigma must not come from noise; brighter greens are no proof."""
    for frame in (scene("RGGB", sky=full(0), seed=seed), scene("RGGB", sky=full(500), seed=seed)):
        phase = green_diagonal(frame)
        assert phase.diagonal is None
        assert not phase.mono
        assert abs(phase.sigma) < 4


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
def test_red_and_blue_alike_cannot_tell(pattern: str) -> None:
    """Where red equals blue both diagonals are alike; a one per cent difference of the greens must not decide."""
    frame = scene(pattern, sky=(500, 1000, 500))
    cell = plane_map(pattern)
    y, x = np.argwhere(cell == 1)[0]
    frame[y::2, x::2] += 10
    assert green_diagonal(frame).diagonal is None


def test_gradients_defects_and_undefined_samples_do_not_mislead() -> None:
    frame = scene("RGGB", sky=(150, 300, 220), stars=80)
    rng = np.random.default_rng(9)
    frame += np.linspace(0, 400, frame.shape[1], dtype=np.float32)
    frame[rng.integers(0, 320, 400), rng.integers(0, 320, 400)] += 20000
    frame[100:110, 40:200] = np.nan
    assert green_diagonal(frame).diagonal == ANTI


def test_defects_alone_are_no_stars() -> None:
    frame = scene("RGGB", sky=full(100))
    heights = np.random.default_rng(3).uniform(2000, 20000, (16, 16)).astype(np.float32)
    frame[::20, ::20] += heights  # all of one colour: taken as stars they would prove anything
    phase = green_diagonal(frame)
    assert (phase.stars, phase.diagonal) == (0, None)


def test_saturated_stars_are_left_out() -> None:
    frame = scene("RGGB", sky=full(100), stars=100)
    limit = np.minimum(frame, 700.0)
    assert green_diagonal(limit).stars < 0.5 * green_diagonal(frame).stars


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (40, 41), (65, 67)])
@pytest.mark.parametrize("value", [0.0, 1000.0, np.nan])
def test_degenerate_frames(shape: tuple[int, int], value: float) -> None:
    phase = green_diagonal(np.full(shape, value, np.float32))
    assert (phase.diagonal, phase.mono, phase.stars) == (None, False, 0)
    assert phase.sigma == 0.0


def test_local_maxima_equal_those_of_a_filter() -> None:
    """scipy's maximum filter; undefined samples of a plane add nothing."""
    rng = np.random.default_rng(8)
    planes = rng.integers(0, 9, (4, 40, 50)).astype(np.float32)
    planes[1, 5:9, 5:9] = np.nan
    total = _added(planes)
    np.testing.assert_array_equal(total, np.nansum(planes, axis=0))
    expected = (total == maximum_filter(total, 3)) & (total > 20)
    expected[:4] = expected[-4:] = expected[:, :4] = expected[:, -4:] = False
    assert expected.sum() > 20
    np.testing.assert_array_equal(_maxima(total, 20.0, 4), expected)


@pytest.mark.parametrize("green", [0.1, 0.4, 0.5])
@pytest.mark.parametrize("noise", [0.6, 1.4, 4.0])
def test_whole_numbers_of_an_even_sky_show_no_greens(green, noise):
    """Greens alike, and red and blue alike: nothing tells them apart, wherever they lie between two whole numbers."""
    sky = np.tile(np.float32([[500.2, 500 + green], [500 + green, 500.2]]), (400, 500))
    image = np.rint(sky + noise * np.random.default_rng(61).standard_normal(sky.shape)).astype(np.float32)
    assert abs(green_diagonal(image).level_sigma) < CLEAR_SIGMA


def test_greens_that_differ_from_red_by_less_than_a_whole_number_are_found():
    sky = np.tile(np.float32([[500.0, 500.3], [500.3, 500.6]]), (400, 500))
    image = np.rint(sky + 1.4 * np.random.default_rng(62).standard_normal(sky.shape)).astype(np.float32)
    assert green_diagonal(image).diagonal == ANTI
