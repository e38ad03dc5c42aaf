"""Dark current over temperature, against handbook laws and a radiation test."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.darklaw import BOLTZMANN_EV, ZERO_C, dark_law, doubling_of_energy

WARM = np.array([-20.0, -10.0, 0.0, 10.0, 20.0])


def test_doubling_law_comes_back() -> None:
    """EMVA 1288 section 3 (from memory): mu(T) = mu(Tref) 2^((T - Tref) / Td)."""
    current = 0.004 * 2.0 ** ((WARM + 10.0) / 6.6)
    found = dark_law(WARM, current, 0.01 * current)
    assert found is not None
    assert found.doubling_k == pytest.approx(6.6, rel=1e-6)
    assert found.doubling(np.array([-10.0]))[0] == pytest.approx(0.004, rel=1e-6)
    assert found.misfit[0] < 1e-6
    assert found.freedom == 3


def test_energy_of_a_radiation_test_comes_back() -> None:
    """A radiation test of a CCD for space (title not kept) has 0.633 eV: a factor of 2.64 between 10 and 21 deg C."""
    energy = 0.633
    current = np.exp(-energy / BOLTZMANN_EV / (WARM + ZERO_C))
    current /= current[0]
    found = dark_law(WARM, current, 0.01 * current)
    assert found is not None
    assert found.energy_ev == pytest.approx(energy, rel=1e-6)
    factor = np.exp(energy / BOLTZMANN_EV * (1 / 283.15 - 1 / 294.15))
    assert factor == pytest.approx(2.64, abs=0.01)


def test_doubling_interval_of_the_diffusion_law() -> None:
    """Janesick 2001, from memory: 6.13 K at -20, 7.09 K at 0, 8.11 K at 20 deg C.

    That law has T^1.5 and a gap that shrinks with T; around a temperature it grows like one activation energy.
    """

    def dark(t_c: float) -> float:
        t = t_c + ZERO_C
        gap = 1.1557 - 7.021e-4 * t**2 / (1108 + t)
        return float(t**1.5 * np.exp(-gap / (2 * BOLTZMANN_EV * t)))

    for place, told in ((-20.0, 6.13), (0.0, 7.09), (20.0, 8.11)):
        near = np.array([place - 0.5, place + 0.5])
        current = np.array([dark(t) for t in near])
        found = dark_law(near, current, 1e-3 * current)
        assert found is not None
        assert found.doubling_k == pytest.approx(told, abs=0.02)
        assert doubling_of_energy(found.energy_ev, place) == pytest.approx(told, abs=0.02)


def test_errors_over_many_draws() -> None:
    """Pulls of 300 draws: mean 0 and scatter 1 within 4 standard errors."""
    rng = np.random.default_rng(2)
    true = 0.01 * 2.0 ** (WARM / 6.0)
    error = 0.03 * true + 2e-4
    pulls = []
    for _ in range(300):
        found = dark_law(WARM, true + rng.normal(0, error), error)
        assert found is not None
        # the error is never made smaller than claimed, so undo what chance enlarges
        scale = max(1.0, found.misfit[0] / found.freedom) ** 0.5
        pulls.append((found.doubling_k - 6.0) / (found.doubling_error_k / scale))
    assert abs(np.mean(pulls)) < 4 / 300**0.5
    assert np.std(pulls) == pytest.approx(1.0, abs=4 / 600**0.5)


@pytest.mark.parametrize(
    ("temperatures", "currents"),
    [
        ([-10.0], [0.1]),
        ([-10.0, -10.0], [0.1, 0.11]),
        ([-10.0, 0.0], [0.0, 0.0]),
        ([-10.0, 0.0], [0.2, 0.1]),
        ([], []),
    ],
)
def test_what_tells_no_law_is_none(temperatures: list[float], currents: list[float]) -> None:
    assert dark_law(np.array(temperatures), np.array(currents), np.full(len(currents), 0.005)) is None


def test_two_temperatures_are_not_checked() -> None:
    found = dark_law(np.array([-10.0, 0.0]), np.array([0.1, 0.3]), np.array([0.001, 0.003]))
    assert found is not None
    assert found.freedom == 0
    assert found.doubling_k == pytest.approx(10 / np.log2(3))
