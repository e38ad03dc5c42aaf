"""Colour fringes of a low object: images of one star in red and blue fall together in the stack, and only if asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import sep
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAIN

SCENE = """
seed = 12
exposure_s = 60.0
[object]
kind = "none"
[stars]
count = 90
brightest_mag = 9.0
faintest_mag = 13.0
temperature_k = 5772.0
cluster_count = 0
[optics]
lateral_colour = 0.0008
[camera]
width_px = 360
height_px = 280
[calibration]
bias = 4
flats = 4
[[nights]]
count = 12
zenith_deg = 62.0
zenith_angle_deg = 130.0
zenith_turn_deg = 40.0
"""


SEEN_NM = (616.0, 548.0, 490.5)
"""Of photons of a black body of 5772 K that the simulated camera counts in red, green and blue, means."""


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("low") / "raw"
    simulate(loads(SCENE), folder)
    return folder


def centres(stack: Path, plane: str, places: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Windowed centres of stars (sep: Bertin & Arnouts 1996) near given places of a plane."""
    image = fits.getdata(stack, plane).astype(np.float64)
    image = np.where(np.isfinite(image), image, np.nanmedian(image)) - np.nanmedian(image)
    x, y, _ = sep.winpos(image, *places.T, np.full(len(places), 1.2))
    return np.column_stack([x, y])


def fringes() -> dict[str, tuple[float, float]]:
    """Shift in the middle and growth to the corners of red and blue against green, pixels.

    Filippenko 1982, table I, for an air mass of 1.5 (tan z = 1.118): 450 nm 0.29, 500 nm 0, 550 nm -0.21, 600 nm -0.37
    and 650 nm -0.50 arcsec. What a filter passes of these stars has its mean wavelength where `SEEN_NM` says.
    """
    table = [450.0, 500.0, 550.0, 600.0, 650.0], [0.29, 0.0, -0.21, -0.37, -0.50]
    arcsec_px = 3.76e-3 / 530 * 206264.8
    half_px = np.hypot(359, 279) / 2
    red, green, blue = (np.interp(nm, *table) for nm in SEEN_NM)
    air_px = np.tan(np.radians(62.0)) / 1.118 / arcsec_px
    return {
        plane: (abs(up - green) * air_px, 0.0008 * abs(nm - SEEN_NM[1]) / 100 * half_px)
        for plane, up, nm in (("R", red, SEEN_NM[0]), ("B", blue, SEEN_NM[2]))
    }


@pytest.mark.parametrize("align", [True, False])
def test_red_and_blue_images_of_stars(raw: Path, tmp_path: Path, align: bool) -> None:
    recipe = with_settings(Recipe(), [*PLAIN, f"registration.align_planes={str(align).lower()}"])
    facts = run([raw], tmp_path / "out", recipe)
    stack = tmp_path / "out" / "stack.fits"
    green = fits.getdata(stack, "G").astype(np.float64)
    green = np.where(np.isfinite(green), green, np.nanmedian(green))
    found = sep.extract(green - np.median(green), 200.0)
    inside = (
        (found["x"] > 25) & (found["x"] < 335) & (found["y"] > 25) & (found["y"] < 255) & (found["flag"] == 0)
    )
    places = np.column_stack([found["x"], found["y"]])[inside]
    assert len(places) > 25
    other = centres(stack, "G", places)
    apart = {plane: np.hypot(*np.median(centres(stack, plane, places) - other, axis=0)) for plane in "RB"}
    if align:
        assert max(apart.values()) < 0.03
        for plane, (shift, corner) in fringes().items():
            told = facts["fringes"]["planes"][plane]
            assert told["shift_px"] == pytest.approx(shift, rel=0.15), plane
            assert told["corner_px"] == pytest.approx(corner, rel=0.15), plane
    else:
        assert min(apart.values()) > 0.1
        assert facts["fringes"]["planes"]["B"] == {"shift_px": 0.0, "corner_px": 0.0, "by_air_px": pytest.approx(
            facts["fringes"]["planes"]["B"]["by_air_px"])}  # fmt: skip
