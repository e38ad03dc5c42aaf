from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.cfa import split
from fourlight.simulate.exposure import World, bias_frame, dark_frame, flat_frame, light_frame
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world

PLAIN = """
[object]
kind = "none"
[stars]
count = 0
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = 400
height_px = 400
gain_e_per_adu = 1.35
read_noise_e = 3.2
column_offset_e = 0.0
hot_share = 0.0
dead_share = 0.0
glow_e_per_s = 0.0
dark_e_per_s = 0.0
prnu = 0.0
cosmic_rays_per_cm2_s = 0.0
"""


def observed(text: str) -> tuple[Scene, World, list[LightPlan]]:
    scene = loads(text)
    plans = plan_lights(scene, throughput(scene))
    return scene, build_world(scene, plans), plans


def test_variance_of_a_flat_sky() -> None:
    # Variance in ADU^2 = electrons / g^2 + read noise^2 / g^2 + 1/12.
    _, world, plans = observed(PLAIN + "[[nights]]\ncount = 1\ngradient = 0.0")
    frame = light_frame(world, plans[0]).astype(float)
    for plane, level in zip(split(frame, "RGGB").values(), plans[0].sky_e[[0, 1, 1, 2]], strict=True):
        # 40 000 samples: the mean to 0.03 ADU, the variance to 0.7 % (one sigma).
        assert plane.mean() - 500.0 == pytest.approx(level / 1.35, abs=0.15)
        assert plane.var() == pytest.approx(level / 1.35**2 + 3.2**2 / 1.35**2 + 1 / 12, rel=0.03)


@pytest.mark.parametrize("level", [0.01, 0.3])
def test_photon_transfer(level: float) -> None:
    # Janesick's method: gain = ((F1 + F2) - (B1 + B2)) / (var(F1 - F2) - var(B1 - B2)),
    # read noise = gain sd(B1 - B2) / sqrt 2, which includes quantisation: sqrt(3.2^2 + 1.35^2 / 12) = 3.22 e.
    _, world, _ = observed(PLAIN + f"[calibration]\nflat_level = {level}")
    f1, f2 = (split(flat_frame(world, k).astype(float), "RGGB")["G1"] for k in (1, 2))
    b1, b2 = (split(bias_frame(world, k).astype(float), "RGGB")["G1"] for k in (1, 2))
    gain = (f1.mean() + f2.mean() - b1.mean() - b2.mean()) / (np.var(f1 - f2) - np.var(b1 - b2))
    assert gain == pytest.approx(1.35, rel=0.03)
    assert gain * np.std(b1 - b2) / np.sqrt(2) == pytest.approx(3.22 * gain / 1.35, rel=0.02)


def test_flat_has_the_level_asked_for() -> None:
    scene, world, _ = observed(PLAIN + "[calibration]\nflat_level = 0.4")
    planes = split(flat_frame(world, 1).astype(float), "RGGB")
    full = min(65535.0, 50000.0 / 1.35 + 500.0)
    assert max(plane.mean() for plane in planes.values()) == pytest.approx(500 + 0.4 * (full - 500), rel=2e-3)
    assert scene.calibration.flat_level == 0.4


def test_bright_samples_are_full() -> None:
    _, world, _ = observed(PLAIN + "[calibration]\nflat_level = 1.6")
    green = split(flat_frame(world, 1).astype(float), "RGGB")["G1"]
    # A full well still has read noise: 3.2 e / 1.35.
    assert green.mean() == pytest.approx(50000 / 1.35 + 500, abs=0.1)
    assert green.std() == pytest.approx(3.22 / 1.35, rel=0.03)


def test_dark_current_doubles() -> None:
    warm = PLAIN.replace("dark_e_per_s = 0.0", "dark_e_per_s = 0.5\ndark_doubling_c = 6.6\nadc_bits = 16")
    levels = []
    for temperature in (-10.0, -3.4):
        _, world, _ = observed(
            warm + f"[calibration]\ndark_exposure_s = 100.0\ndark_temperature_c = {temperature}"
        )
        levels.append(dark_frame(world, 1).mean() - 500.0)
    assert levels[0] == pytest.approx(50.0 / 1.35, rel=0.02)
    assert levels[1] / levels[0] == pytest.approx(2.0, rel=0.01)


def test_hot_samples_warm_up_less_than_the_rest() -> None:
    # Deep-level impurities have the lower activation energy (Widenhorn et al. 2002): scaled darks leave residuals.
    text = PLAIN.replace("hot_share = 0.0", "hot_share = 0.01").replace(
        "dark_e_per_s = 0.0", "dark_e_per_s = 0.01"
    )
    _, world, _ = observed(text)
    hot, rest = world.detector.hot_e_per_s > 0.5, world.detector.hot_e_per_s == 0.0
    cold, warm = world.detector.dark_e(1.0, -10.0), world.detector.dark_e(1.0, 10.0)
    assert (warm / cold)[hot].max() < (warm / cold)[rest].min()
    assert 0.004 < hot.mean() < 0.01


def test_glow_fills_one_corner() -> None:
    _, world, _ = observed(PLAIN.replace("glow_e_per_s = 0.0", "glow_e_per_s = 1.0\nglow_px = 50.0"))
    dark = world.detector.dark_e(10.0, -10.0)
    assert dark[0, -1] == pytest.approx(10.0, rel=1e-5)
    assert dark[0, -51] == pytest.approx(10.0 / np.e, rel=1e-5)
    assert dark[-1, 0] < 0.01


def test_vignetting_takes_its_share_in_the_corner() -> None:
    _, world, _ = observed(PLAIN.replace("vignetting = 0.0", "vignetting = 0.3"))
    assert world.detector.sensitivity[0, 0] == pytest.approx(0.7, abs=3e-3)
    assert world.detector.sensitivity[200, 200] == pytest.approx(1.0, abs=1e-4)
