"""Level and variance by cells: the truth is the Poisson law, with structure that must not count as noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core.cells import cell_noise, structure_share

Image = npt.NDArray[np.float64]


def _field(level: float, fwhm: float, shift: tuple[float, float], density: float) -> Image:
    """Sky with stars of all brightnesses (counts fall as flux^-1), moved by a shift, on samples of one plane."""
    rng, shape = np.random.default_rng(3), (320, 320)
    light, y, x = np.full(shape, level), *np.mgrid[: shape[0], : shape[1]]
    sigma = fwhm / 2.3548
    for cy, cx, chance in rng.uniform(0, 1, (int(density * light.size), 3)):
        cy, cx = cy * shape[0] + shift[0], cx * shape[1] + shift[1]
        flux = min(0.8 * np.sqrt(level) * 2 * np.pi * sigma**2 / max(chance, 1e-4), 1e5)
        box = tuple(slice(max(0, int(c) - 6), max(0, int(c) + 7)) for c in (cy, cx))
        radius = (y[box] - cy) ** 2 + (x[box] - cx) ** 2
        light[box] += flux * np.exp(-radius / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    return light


def test_cells_ignore_what_both_exposures_share() -> None:
    rng = np.random.default_rng(7)
    response = rng.normal(1.0, 0.02, (256, 256))  # 2 % PRNU would add 400 to a variance of 1000
    cells = cell_noise(rng.poisson(1000 * response), rng.poisson(1000 * response), 32)
    assert len(cells.level) == 64
    assert np.mean(cells.level) == pytest.approx(1000, rel=0.002)
    assert np.mean(cells.variance) == pytest.approx(1000, rel=0.02)
    share, error = structure_share([cells])
    assert share < 3 * error


@pytest.mark.parametrize("fwhm", [0.9, 1.3, 2.0])
def test_faint_stars_that_moved_are_taken_off(fwhm: float) -> None:
    rng, level = np.random.default_rng(8), 150.0
    parts = []
    for shift in ((2.3, -1.6), (-3.7, 0.4), (1.2, 4.1), (0.6, -2.5)):
        still = rng.poisson(_field(level, fwhm, (0, 0), 0.02)).astype(float)
        parts.append(cell_noise(still, rng.poisson(_field(level, fwhm, shift, 0.02)).astype(float), 32))
    raw = np.concatenate([part.variance / part.level for part in parts]).mean()
    share, error = structure_share(parts)
    assert raw > 1.01  # the test field does bend the plain answer
    assert raw * (1 - share) == pytest.approx(1.0, abs=max(2.5 * error, 0.02))
    assert error < 0.05


def test_noise_alone_has_no_structure() -> None:
    rng = np.random.default_rng(9)
    parts = [cell_noise(*rng.normal(100, 5, (2, 256, 256)), 32) for _ in range(8)]
    linked = np.concatenate([part.linked for part in parts])
    expected = np.sqrt(1.944 / np.concatenate([part.pairs for part in parts])).mean()
    # correlation of second differences along a row: -2/3 and 1/6, so the mean product has 1.944 sigma^4 / n
    assert linked.std() == pytest.approx(expected, rel=0.12)
    assert structure_share(parts)[0] < 0.02


def test_cells_that_are_mostly_missing_are_left_out() -> None:
    a = np.random.default_rng(8).normal(0, 1, (64, 64))
    a[:32] = np.nan
    assert len(cell_noise(a, None, 32).level) == 2


def test_a_star_above_a_missing_row_is_no_loss_to_the_others() -> None:
    """By hand, of three columns that a star brightens: products are one where both rows show it, and nought beside it;
    squares are one and one half. Of the star above the missing row one pair of rows is known.
    """
    image = np.random.default_rng(8).normal(0, 2.5, (64, 64))
    image[40:42, 40] += 200.0
    image[10, 20] += 200.0
    image[11] = np.nan
    assert cell_noise(image, None, 32).stars == pytest.approx([3.0, 2 * 1.5 + 3.0 + 1.5], rel=0.15)


def test_nothing_to_measure() -> None:
    assert structure_share([]) == (0.0, 0.0)
    assert len(cell_noise(np.ones((64, 64)), None, 32).level) == 0
    assert len(cell_noise(np.ones((8, 8)), None, 32).level) == 0
