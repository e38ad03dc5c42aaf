"""Dark skies behind coarse digitisers: noise of 0.45 to 1.4 steps, at which medians are whole numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAIN

SCENE = """
seed = 4
exposure_s = 30.0
[object]
kind = "none"
[stars]
count = 80
brightest_mag = 9.0
faintest_mag = 12.5
cluster_count = 0
[filter]
name = "dual-3nm"
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = 480
height_px = 360
gain_e_per_adu = {gain}
read_noise_e = 1.2
column_offset_e = 0.0
glow_e_per_s = 0.0
[[nights]]
count = 24
"""
LIMITS = {8: 1.1, 16: 1.12, 32: 1.2}
"""Most scatter over the claim by side of a block. One standard error over three planes is 0.8, 1.7 and 3.3 %; the noise
of sky differences, fitted to a few dozen cells of so small a frame, adds some per cent to large blocks."""


@pytest.fixture(scope="module", params=[1.0, 2.0, 3.0, 4.0])
def coarse(request: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("coarse")
    simulate(loads(SCENE.format(gain=request.param)), folder / "lights")
    summary = run([folder / "lights"], folder / "out", with_settings(Recipe(), PLAIN))
    with fits.open(folder / "out" / "halves.fits") as halves:
        yield (
            request.param,
            summary,
            {hdu.name: np.array(hdu.data, dtype=float) for hdu in halves if hdu.data is not None},
        )


def scatter(planes: dict[str, npt.NDArray[np.float64]], plane: str, side: int) -> float:
    """Standard deviation, robustly, of the difference of block means of two halves over what is claimed for it."""
    inner = np.s_[20:-20, 20:-20]
    difference = (planes[f"{plane}_A"] - planes[f"{plane}_B"])[inner]
    variance = (planes[f"VAR_{plane}_A"] + planes[f"VAR_{plane}_B"])[inner]
    ny, nx = difference.shape[0] // side, difference.shape[1] // side
    mean, claim = (
        part[: ny * side, : nx * side].reshape(ny, side, nx, side).mean(axis=(1, 3))
        for part in (difference, variance)
    )
    pull = mean * side / np.sqrt(claim)
    pull = np.clip(pull - np.nanmedian(pull), -4, 4)
    return float(np.nanstd(pull))


def test_halves_differ_by_their_claimed_noise(coarse: Any) -> None:
    _, summary, planes = coarse
    assert not summary["set_aside"]
    for side, most in LIMITS.items():
        found = np.array([scatter(planes, plane, side) for plane in ("R", "G1", "B")])
        assert 0.93 < found.mean() < most, (side, found)


def test_noise_is_believed_and_no_less_than_that_of_rounding(coarse: Any) -> None:
    gain, summary, _ = coarse
    assert not any("too far from 1" in note for note in summary["assumptions"])
    step = summary["noise"]["gain_e_per_adu"]
    assert step == pytest.approx(gain, rel=0.1)
    assert all(
        value >= step / np.sqrt(12) for frame in summary["frames"] for value in frame["noise"].values()
    )
