"""Gain from the lights where the digitiser is coarse, and read noise from bias frames that are cut off."""

from pathlib import Path

import numpy as np
import pytest

from bench_sensor import Sensor, frames_of, open_source, put_bias, put_flats
from fourlight.core.transfer import Line
from fourlight.recipe import Calibrate, Read
from fourlight.stages.bench import Bench
from fourlight.stages.gain import Survey
from fourlight.stages.groups import Group
from fourlight.stages.noise_model import _gain_of_line, chosen


@pytest.mark.parametrize("step", [0.0, 1.0, 4.0])
@pytest.mark.parametrize(("scatter", "believed"), [(0.5, False), (0.7, False), (0.8, True), (5.0, True)])
def test_lights_tell_no_gain_where_rounding_rules_the_variance(step, scatter, believed):
    variance = (scatter * (step or 1.0)) ** 2
    line = Line(0.25, 0.005, variance, 0.001, 500.0, 499.0, 501.0)
    seen = Survey(line, np.full(4, 500.0), np.full(4, variance), step, nights=1, cells=1000)
    bench = Bench(lambda frame: None, "RGGB", Calibrate(), Read(), Path())  # type: ignore[arg-type,return-value]
    found = _gain_of_line(seen, bench)
    if believed or not step:
        assert found[0].value == pytest.approx(4.0)
        assert not bench.notes
    else:
        assert not found
        assert f"scatter by {scatter:.2f} steps" in bench.notes[0]


@pytest.mark.parametrize(
    ("zero", "read"),
    [(0.0, "unknown"), (4.0, "unknown"), (12.0, "flats and bias"), (400.0, "flats and bias")],
)
def test_bias_frames_cut_off_at_zero_tell_no_read_noise(tmp_path, zero, read):
    """Of a normal read noise of 4 ADU, 45, 13 and 0.1 % would lie below -0.5 ADU: of 45 %, 2.3 ADU is left."""
    sensor = Sensor(43, gain=1.0, read=4.0, zero=zero, shape=(96, 120))
    put_flats(tmp_path / "flats", sensor, [5000.0], each=4)
    put_bias(tmp_path / "bias", sensor, 4)
    flats, biases = (Group(tuple(frames_of(tmp_path / name))) for name in ("flats", "bias"))
    bench = Bench(open_source, "RGGB", Calibrate(), Read(), tmp_path)
    nothing = Survey(None, np.full(4, np.nan), np.full(4, np.nan), 1.0, 1, 0)
    found = chosen(flats.frames[:1], [flats], [biases], nothing, (None, "unknown"), bench)
    assert found.read_noise_source == read
    said = [note for note in bench.remarks if "cut off at 0 ADU" in note]
    if read == "unknown":
        assert "higher offset" in said[0]
    else:
        assert not said
        assert found.read_noise_e == pytest.approx(4.0, rel=0.05)
