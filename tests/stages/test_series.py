"""Series: what does not belong together is refused."""

from __future__ import annotations

import numpy as np
import pytest

from claim_series import columns, series


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"exposure_s": np.ones(3)}, "exposure_s holds 3 values for 12 lights"),
        ({"values": {"noise": np.ones((12, 4))}}, r"noise is \(12, 4\); \(12, 5\) is needed"),
        ({"time_s": np.arange(12.0)[::-1]}, "not in order of time"),
        ({"patches": {"as run": {"noise": np.ones((9, 5))}, "no darks": {"noise": np.ones((8, 5))}}}, "one shape"),
        ({"patches": {"as run": {"noise": np.ones((9, 4))}}}, "one shape"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(changes: dict, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        series(**changes)


def test_errors_in_common_are_none_where_none_are_given() -> None:
    found = series(common={"information": columns(R=0.02, G1=0, G2=0, B=0.1, G=0)[0]})
    assert (found.shared_error("information", "B"), found.shared_error("noise", "B")) == (0.1, 0.0)
    assert len(found) == 12
