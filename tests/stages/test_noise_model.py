"""Gain from the lights where the digitiser is coarse: the variance of rounding depends on the level."""

from pathlib import Path

import numpy as np
import pytest

from fourlight.core.transfer import Line
from fourlight.recipe import Calibrate, Read
from fourlight.stages.bench import Bench
from fourlight.stages.gain import Survey
from fourlight.stages.noise_model import _gain_of_line


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
