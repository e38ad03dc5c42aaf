"""Numbers of a night that goes on that need no frames."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.pipeline.live_rows import gap_s


def test_the_rhythm_of_subs_holds_moves_of_the_mount_and_no_breaks():
    """Subs of 60 s with a move of 21 s after every third: 67 s from one to the next, but for an hour of cloud."""
    steps = [60.0, 60.0, 81.0] * 6 + [3600.0] + [60.0, 60.0, 81.0] * 7
    rows = [{"time_s": float(at)} for at in np.cumsum([0.0, *steps])]
    assert gap_s(rows) == pytest.approx(67.0, abs=0.5)
    assert gap_s(rows[:1]) == 0.0
