"""A camera measured from simulated frames of ten sensors: near the truth, and errors that say how near."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.engine import Silent
from fourlight.pipeline.camera import measured_camera
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.camera_results import profile_of

SCENE = """
seed = {seed}
[object]
kind = "none"
[stars]
count = 0
cluster_count = 0
[camera]
width_px = 300
height_px = 220
gain_e_per_adu = {gain}
read_noise_e = {read}
offset_adu = {offset}
[calibration]
flats = 4
flat_levels = [0.1, 0.4]
flat_drift = 0.004
bias = 12
[[nights]]
count = 1
"""
SEEDS = range(4400, 4410)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gain", "read", "offset"), [(0.8, 1.6, 500.0), (4.0, 1.5, 500.0), (4.0, 1.5, 300.4)]
)
def test_ten_sensors(tmp_path: Path, gain: float, read: float, offset: float) -> None:
    """Gain to 1 %, read noise to 5 %, also where rounding rules it; pulls of 40 places: root mean square near 1.

    That of 40 normal values scatters by 1 / sqrt(80) = 0.11; of places that share their regions' vignetting somewhat
    more.
    """
    pulls: dict[str, list[float]] = {"gain": [], "read_noise": []}
    for seed in SEEDS:
        folder = tmp_path / str(seed)
        simulate(loads(SCENE.format(seed=seed, gain=gain, read=read, offset=offset)), folder)
        found = profile_of(measured_camera(folder / "flats", folder / "bias", None, None, Silent()))
        for name, true, share in (("gain", gain, 0.01), ("read_noise", read, 0.05)):
            assert found.quantities[name].value == pytest.approx(true, rel=share), seed
            parts = [place[name] for place in found.places.values()]
            pulls[name] += [(part.value - true) / (part.error or np.inf) for part in parts]
    for name, values in pulls.items():
        assert 0.6 < np.sqrt(np.mean(np.square(values))) < 1.45, name
