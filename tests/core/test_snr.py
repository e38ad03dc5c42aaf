"""Signal over noise: the equation of the handbooks, the length of subs, lines told apart, full stars."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import dblquad

from fourlight.core.snr import (
    ccd_snr,
    line_errors,
    loss_factor,
    normal_matrix,
    peak_share,
    read_loss,
    sub_seconds,
)


def test_worked_example_of_a_handbook() -> None:
    """Howell 2006, Handbook of CCD Astronomy, chapter 4 (inputs and 342 from memory; the arithmetic was done again)."""
    found = ccd_snr(24013 * 5, 620 * 5, 22 / 12, 5.0, 1, gain_e_per_adu=5.0, sky_pixels=200)
    assert found == pytest.approx(342.05, abs=0.2)


def test_the_same_by_a_library() -> None:
    """astropy's equation, which takes the sky as known and leaves rounding out."""
    from astropy.stats import signal_to_noise_oir_ccd

    other = signal_to_noise_oir_ccd(300.0, 40.0, 3.0, 0.01, 3.2, 50.0)
    assert ccd_snr(300 * 40.0, 300 * 3.0, 300 * 0.01, 3.2, 50.0) == pytest.approx(other, rel=1e-12)


def test_a_sky_from_few_pixels_costs_noise() -> None:
    """sqrt(1 + n / n_B) where the sky rules."""
    known = ccd_snr(1.0, 1e4, 0.0, 0.0, 10.0)
    assert known / ccd_snr(1.0, 1e4, 0.0, 0.0, 10.0, sky_pixels=10.0) == pytest.approx(
        math.sqrt(2.0), rel=1e-4
    )
    assert ccd_snr(0.0, 0.0, 0.0, 0.0, 1.0) == 0.0


# From the equation above at a fixed time in all, where the sky rules.
@pytest.mark.parametrize(("loss", "factor"), [(0.05, 9.756), (0.10, 4.762), (0.01, 49.75)])
def test_factor_of_sky_over_read_noise(loss: float, factor: float) -> None:
    assert loss_factor(loss) == pytest.approx(factor, abs=2e-3)


# Sky of 3, 5 and 10 times the square of read noise.
@pytest.mark.parametrize(("times", "loss"), [(3.0, 0.155), (5.0, 0.095), (10.0, 0.049)])
def test_loss_at_multiples_of_read_noise(times: float, loss: float) -> None:
    assert float(read_loss(1.0, times, 1.0)) == pytest.approx(loss, abs=1e-3)


def test_length_and_loss_undo_each_other() -> None:
    seconds = sub_seconds(2.25, 0.3, 0.07)
    assert float(read_loss(2.25, 0.3, seconds)) == pytest.approx(0.07, rel=1e-12)


def test_the_loss_is_that_of_the_equation() -> None:
    """One hour in subs of 60 s against one hour without read noise, by `ccd_snr` itself."""
    faint, rate, read = 1e-6, 0.4, 1.7

    def hour(sub: float, noise: float) -> float:
        return ccd_snr(faint * sub, rate * sub, 0.0, noise, 1.0) * math.sqrt(3600 / sub)

    assert hour(60, 0.0) / hour(60, read) - 1 == pytest.approx(
        float(read_loss(read**2, rate, 60.0)), rel=1e-4
    )


def test_errors_of_lines_are_those_of_many_trials() -> None:
    """Against the scatter of solutions of noisy samples; 20 000 trials tell it to 0.5 %."""
    rng = np.random.default_rng(4)
    mixing = np.array([[0.95, 0.05], [0.2, 0.9], [0.1, 0.5]])
    variance, samples = np.array([4.0, 2.0, 3.0]), np.array([1.0, 2.0, 1.0])
    truth = np.array([3.0, 5.0])
    normal = normal_matrix(mixing, variance, samples)
    noisy = mixing @ truth + rng.standard_normal((20_000, 3)) * np.sqrt(variance / samples)
    solved = np.linalg.solve(normal, (mixing.T * (samples / variance)) @ noisy.T)
    assert solved.std(axis=1) == pytest.approx(line_errors(normal), rel=0.02)
    assert solved.mean(axis=1) == pytest.approx(truth, rel=0.02)


def test_lines_that_look_alike_cannot_be_told_apart() -> None:
    alike = np.array([[1.0, 2.0], [0.5, 1.0], [0.1, 0.2]])
    assert np.isinf(line_errors(normal_matrix(alike, np.ones(3), np.ones(3)))).all()
    unseen = np.array([[1.0, 0.0], [0.5, 0.0], [0.1, 0.0]])
    errors = line_errors(normal_matrix(unseen, np.ones(3), np.ones(3)))
    assert errors[0] == pytest.approx(1.26**-0.5), "what is not seen hides nothing else"
    assert np.isinf(errors[1])


@pytest.mark.parametrize("fwhm", [0.5, 1.5, 4.0])
def test_share_of_the_middle_pixel(fwhm: float) -> None:
    """Integral of a round Gaussian over a pixel, by SciPy."""
    sigma = fwhm / 2.354820

    def density(y: float, x: float) -> float:
        return math.exp(-(x * x + y * y) / (2 * sigma**2)) / (2 * math.pi * sigma**2)

    assert peak_share(fwhm) == pytest.approx(dblquad(density, -0.5, 0.5, -0.5, 0.5)[0], rel=1e-5)
