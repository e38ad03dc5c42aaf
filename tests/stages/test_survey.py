"""Gain from lights of which some do not show the sky: photon transfer of a simulated sensor of known gain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fields import apart, paint_stars
from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.io.pixels import PixelSource
from fourlight.stages.gain import Survey, survey

SHAPE = (300, 400)
GAIN, READ, PEDESTAL, SKY = 0.8, 1.5, 500.0, 120.0


def _surveyed(images: list[npt.NDArray[np.float64]]) -> Survey:
    lights = [
        RawFrame(Path(f"{i:02}.fits"), 0, *SHAPE, Role.LIGHT, "header", exposure_s=60.0, night="2031-03-01")
        for i in range(len(images))
    ]

    def opened(frame: RawFrame) -> PixelSource:
        return HeldPixels(images[int(frame.path.stem)])

    return survey(lights, opened, "RGGB")


def _sky(rng: np.random.Generator, bright: float, count: int) -> npt.NDArray[np.float64]:
    """A light with so many stars over a sky that is ``bright`` times the darkest."""
    places = apart(np.random.default_rng(5), count, SHAPE, 8.0, 4.0).reshape(-1, 2)
    light = paint_stars(SHAPE, places[:, 0], places[:, 1], np.geomspace(1500, 30000, count), 2.6)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    colour = np.where((rows + columns) % 2 == 1, 1.0, 0.6)
    electrons = rng.poisson((light + bright * SKY) * colour)
    return np.rint((electrons + rng.normal(0, READ, SHAPE)) / GAIN + PEDESTAL)


@pytest.mark.parametrize("others", [1, 2])
def test_a_light_without_stars_does_not_bend_the_gain(others: int) -> None:
    rng = np.random.default_rng(3)
    images = [_sky(rng, bright, 60) for bright in np.linspace(1, 4, 8)]
    clean = _surveyed(images)
    assert clean.line is not None
    assert 1 / clean.line.slope == pytest.approx(GAIN, rel=0.05)
    for place in range(others):
        images[2 + 3 * place] = np.rint(rng.normal(2000.0, 4.0, SHAPE))
    seen = _surveyed(images)
    assert seen.line is not None
    assert 1 / seen.line.slope == pytest.approx(GAIN, rel=0.05)
    assert seen.levels == pytest.approx(clean.levels, rel=0.2)


def test_skies_without_stars_are_used_where_no_light_shows_any() -> None:
    rng = np.random.default_rng(4)
    seen = _surveyed([_sky(rng, bright, 0) for bright in np.linspace(1, 4, 8)])
    assert seen.line is not None
    assert 1 / seen.line.slope == pytest.approx(GAIN, rel=0.05)


def test_patches_without_a_sample_do_not_take_the_step_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a light whose transfer was cut: whole numbers, 1 ADU apart, as of the whole ones."""
    monkeypatch.setattr("fourlight.stages.masters.PATCH", 100)
    rng = np.random.default_rng(6)
    images = [_sky(rng, bright, 0) for bright in (1.0, 2.0)]
    images[0][180:] = np.nan
    assert _surveyed(images).step == 1.0
    images[0][:] = np.nan
    assert _surveyed(images).step == 0.0, "nothing is known of the one pair"
