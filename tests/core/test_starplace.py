"""Places of stars in one plane: painted Moffat stars (Moffat 1969) whose colours stand apart by known amounts."""

import numpy as np
import pytest

from fields import apart, paint_stars
from fourlight.core import cfa
from fourlight.core.starmodel import moffat_shape
from fourlight.core.starplace import plane_places

SHAPE = (360, 420)
CELL = cfa.plane_map("RGGB")


def painted(fwhm: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A mosaic in which red stands 0.12, -0.2 px from green and blue -0.15, 0.25 px; and the places of green."""
    rng = np.random.default_rng(seed)
    places = apart(rng, 80, SHAPE, 24, 14)
    flux = 10 ** rng.uniform(4.0, 5.0, len(places))
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    plane = CELL[rows % 2, columns % 2]
    image = np.zeros(SHAPE)
    for index, (dx, dy) in enumerate(((0.12, -0.2), (0, 0), (0, 0), (-0.15, 0.25))):
        whole = paint_stars(SHAPE, places[:, 0] + dx, places[:, 1] + dy, flux, fwhm)
        image[plane == index] = whole[plane == index]
    noisy = rng.poisson(image + 100) + rng.normal(0, 2, SHAPE)
    return noisy.astype(np.float32), places


@pytest.mark.parametrize("fwhm", [1.7, 2.5, 3.5])
def test_colours_that_stand_apart(fwhm: float) -> None:
    image, places = painted(fwhm)
    wide = np.sqrt(fwhm**2 + 0.8)  # the fitted profile is a point sample of what pixels have widened
    shape = np.array([moffat_shape(wide), 0.0, moffat_shape(wide), 0.0, 0.0])
    for plane, (dx, dy) in enumerate(((0.12, -0.2), (0, 0), (0, 0), (-0.15, 0.25))):
        offset, error = plane_places(image, CELL, plane, 104.0, 1.0, *places.T.copy(), shape, 8)
        assert np.isfinite(error).mean() > 0.95
        weight = np.where(np.isfinite(error), 1 / error**2, 0.0)
        mean = (offset * weight[:, None]).sum(axis=0) / weight.sum()
        # a hundredth of a pixel at least is left to how the samples of sharp stars fall
        np.testing.assert_allclose(mean, (dx, dy), atol=0.012)


def test_the_error_is_that_of_the_places() -> None:
    image, places = painted(3.5, seed=2)
    wide = np.sqrt(3.5**2 + 0.8)
    shape = np.array([moffat_shape(wide), 0.0, moffat_shape(wide), 0.0, 0.0])
    offset, error = plane_places(image, CELL, 1, 104.0, 1.0, *places.T.copy(), shape, 8)
    pull = (offset / error[:, None])[np.isfinite(error)]
    # 160 numbers tell a standard deviation to 6 per cent
    assert pull.std() == pytest.approx(1.0, abs=0.2)


def test_nothing_to_place() -> None:
    empty = np.full(SHAPE, np.nan, dtype=np.float32)
    shape = np.array([0.1, 0.0, 0.1, 0.0, 0.0])
    offset, error = plane_places(empty, CELL, 0, 1.0, 1.0, np.array([50.0]), np.array([60.0]), shape, 8)
    assert np.isnan(error).all()
    assert not offset.any()
