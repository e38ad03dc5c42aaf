"""Light as codes of 16 bits: against numpy, and how much a deep stack loses by them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fourlight.core.companding import Companding, companding_for


def deep(rng, sky=480.0, noise=2.0):
    """A stack whose brightest star stands 10^6 times the noise above the sky."""
    light = rng.normal(sky, noise, (300, 400)).astype(np.float32)
    light[rng.integers(0, 300, 200), rng.integers(0, 400, 200)] += (
        rng.pareto(0.7, 200).astype(np.float32) * 200
    )
    light[5, 5] = 2e6
    return light


def test_light_comes_back_within_half_a_step_of_the_noise():
    light = deep(np.random.default_rng(1))
    code = companding_for(480.0, 2.0, float(light.min()), float(light.max()))
    back = code.light(code.codes(light))
    steps = np.array([code.step(value) for value in light.ravel().tolist()]).reshape(light.shape)
    assert (np.abs(back - light) <= 0.51 * steps + np.spacing(light)).all()
    photon_noise = 2.0 * np.sqrt(light / 480)
    for most, part in ((500, 1000), (1000, 40), (20_000, 4)):
        seen = (light > 470) & (light < most)
        assert (np.abs(back - light) / photon_noise)[seen].max() < 1 / part


def test_linear_codes_would_lose_what_these_keep():
    light = deep(np.random.default_rng(2))
    code = companding_for(480.0, 2.0, float(light.min()), float(light.max()))
    faint = light < 500
    step = (light.max() - light.min()) / 65534
    linear = np.round((light - light.min()) / step) * step + light.min()
    lost = np.sqrt(np.mean((linear - light)[faint] ** 2)) / 2.0
    kept = np.sqrt(np.mean((code.light(code.codes(light)) - light)[faint] ** 2)) / 2.0
    assert lost > 1
    assert kept < 0.001


def test_codes_are_those_of_numpy():
    code = Companding(100.0, 5.0, 80.0, 1e5)
    light = np.array([[70, 80, 100, 101.5, 1e3, 1e5, 2e5, np.nan]], np.float32)
    low, high = np.arcsinh((np.array([80.0, 1e5]) - 100) / 5)
    wanted = 1 + np.round(65534 * (np.arcsinh((light - 100) / 5) - low) / (high - low)).clip(0, 65534)
    wanted[np.isnan(light)] = 0
    assert code.codes(light).tolist() == wanted.astype(int).tolist()


@given(
    st.floats(-1e4, 1e5),
    st.floats(0.01, 1e3),
    st.floats(0, 1e4),
    st.floats(0, 1e6),
    st.lists(st.floats(0, 1), min_size=2),
)
def test_more_light_never_has_a_smaller_code(sky, noise, below, above, places):
    code = companding_for(sky, noise, sky - below, sky + above)
    light = np.sort(sky - below + (below + above) * np.array([places]))[:, :].astype(np.float32)
    codes = code.codes(light)[0].astype(int)
    assert (np.diff(codes) >= 0).all()
    assert codes.min() >= 1


@pytest.mark.parametrize(
    ("noise", "low", "high"), [(0.0, 0.0, 0.0), (np.nan, np.nan, np.inf), (1.0, 7.0, 7.0)]
)
def test_an_even_or_empty_plane_has_codes_too(noise, low, high):
    code = companding_for(7.0, noise, low, high)
    codes = code.codes(np.full((2, 2), 7.0, np.float32))
    assert code.light(codes) == pytest.approx(7.0, abs=code.step(7.0))
    assert code.codes(np.full((2, 2), np.nan, np.float32)).max() == 0
