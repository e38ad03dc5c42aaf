"""What each channel of the mosaic contributed to a region: four different things, each frame by frame.

Electrons are what was counted, luminance is what the eye makes of the balanced picture, information is what fixes the
light (its signal-to-noise ratio squared), and detail is the information on what varies within a few pixels. A channel
may lead in one and trail in another; they are never mixed.

Nothing is cut off at zero before an error is told from it: of a channel without light half of the estimates are
negative, and intervals of those that were cut would have no width.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.colour import LUMINANCE_WEIGHTS
from fourlight.core.starcolour import Balance
from fourlight.core.trials import Trial, trial_of
from fourlight.stages import contributions
from fourlight.stages.contributions import PER_CELL, Ledger
from fourlight.stages.nights import NIGHTS, left_out, parts_of

__all__ = ["CHANNELS", "KINDS", "information", "shares"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Trials = list[list[Trial]]

KINDS = ("electrons", "luminance", "information", "detail")
CHANNELS = ("R", "G", "G1", "G2", "B")
"""R, G and B are the whole; G1 and G2 are the parts of G."""
PARTS = {"R": (0,), "G": (1, 2), "G1": (1,), "G2": (2,), "B": (3,)}
"""Planes of each channel."""
DARKER = 3.0
"""Errors below zero from which light is taken for none at all: its square is a fault of the sky, not of chance."""


@dataclass(frozen=True, slots=True)
class _Lights:
    """The frames of a stack, of which some can be left out."""

    found: Ledger
    nights: Sequence[str | None]

    def trials(self, estimate: Callable[[Ledger, Bool], Float64]) -> Trials:
        """An estimate (k, r) from some of the lights with its intervals."""
        held = contributions.brought(self.found)[:, None]
        alone = left_out(self.nights, held, lambda use: estimate(self.found, use))
        return contributions.with_shared(self.found, alone, estimate)

    def variance(self) -> Float64:
        """(4, r) of the light of all frames: as nights differ or, of too few of them, as lights do in each.

        With what all of them have in common.
        """
        held = contributions.brought(self.found)[:, None]
        trials = left_out(self.nights, held, lambda use: contributions.light(self.found, use))
        error = np.array([[trial.error for trial in row] for row in trials])
        parts = [parts_of(self.nights, each) for each in contributions.brought(self.found).T]
        told = np.array([part.scope == NIGHTS for part in parts], dtype=np.bool_) & np.isfinite(error)
        found = np.where(told, error**2, contributions.scatter(self.found, self.nights))
        if self.found.shared is not None:
            found = found + np.diagonal(self.found.shared, axis1=1, axis2=2).T
        # Skies differ because they do, not by an error of each, which is nothing beside its light.
        return np.where(np.array(self.found.names) == "sky", 0.0, found)

    @property
    def every(self) -> Bool:
        """(f,) all of them."""
        return np.ones(len(self.found.away), dtype=np.bool_)


def shares(
    found: Ledger, nights: Sequence[str | None], balance: Balance
) -> dict[str, dict[str, dict[str, Trial]]]:
    """Share of each channel by kind and region.

    Parameters
    ----------
    found : Ledger
    nights : sequence of str or None
        Night of each frame; frames are in time order.
    balance : Balance
        Factors that make what is taken as white equal in R, G and B.

    Returns
    -------
    dict
        ``[kind][region][channel]``. Intervals are those of `fourlight.stages.nights.left_out`; neither they nor the
        values are kept between 0 and 1. NaN where a plane has no sample, or where all of them hold nothing.
    """
    lights = _Lights(found, nights)
    made = {
        "electrons": lights.trials(lambda given, use: _as_shares(contributions.light(given, use))),
        "luminance": _luminance(lights, balance),
        "information": _information(lights),
        "detail": lights.trials(
            lambda given, use: _as_shares(
                contributions.detail(given, use) * contributions.certainty(given, use)
            )
        ),
    }
    return {kind: _by_region(made[kind], found) for kind in KINDS}


def information(found: Ledger, nights: Sequence[str | None]) -> dict[str, dict[str, Trial]]:
    """Share of the information of each channel by region, as in `shares`, for which no balance is needed."""
    return _by_region(_information(_Lights(found, nights)), found)


def _by_region(trials: Trials, found: Ledger) -> dict[str, dict[str, Trial]]:
    return {
        region: {channel: trials[c][r] for c, channel in enumerate(CHANNELS)}
        for r, region in enumerate(found.names)
    }


def _as_shares(planes: Float64) -> Float64:
    """(5, r) shares of R, G, G1, G2, B of what the planes (4, r) contributed; NaN where that is nothing in all."""
    total = planes.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        each = planes / np.where(total > 0, total, np.nan)
    return np.stack([each[list(parts)].sum(axis=0) for parts in PARTS.values()])


def _luminance(lights: _Lights, balance: Balance) -> Trials:
    """Shares of the balanced picture, with the error of the balance, which no light or night left out shows."""

    def estimate(given: Ledger, use: Bool, factors: Float64 = balance.factors) -> Float64:
        red, green, blue = LUMINANCE_WEIGHTS * factors
        planes = PER_CELL * contributions.light(given, use)
        return _as_shares(planes * np.array([red, green / 2, green / 2, blue])[:, None])

    trials, step = lights.trials(estimate), 1e-3
    moved = [balance.factors * np.exp(sign * step * np.eye(3)) for sign in (1, -1)]
    up, down = (
        np.array([estimate(lights.found, lights.every, factors) for factors in part]) for part in moved
    )
    slope = (up - down) / (2 * step)
    error = np.sqrt(np.maximum(np.einsum("ikr,ij,jkr->kr", slope, balance.covariance, slope), 0.0))
    return [
        [contributions.beside(trial, float(error[k, r])) for r, trial in enumerate(row)]
        for k, row in enumerate(trials)
    ]


def _information(lights: _Lights) -> Trials:
    """Shares of signal squared over variance.

    The square of a light that is not known well is too large by its variance, which is taken off. Its error is no
    measure either where the light is as small as its error. Intervals are therefore those of an angle whose tangent is
    the light of a channel over that of the others, both in units of noise: proportional to the light where that is
    little, and neither cut nor squared.
    """
    found, bias = lights.found, lights.variance()

    def angle(given: Ledger, use: Bool) -> Float64:
        light, certain = contributions.strength(given, use), contributions.certainty(given, use)
        power = _power(light, bias, certain)
        own = np.stack([_amplitude(light, bias, certain, parts) for parts in PARTS.values()])
        rest = np.stack([power.sum(axis=0) - power[list(parts)].sum(axis=0) for parts in PARTS.values()])
        return np.asarray(np.arctan2(own, np.sign(rest) * np.sqrt(np.abs(rest))))

    light = contributions.strength(found, lights.every)
    square = np.where(light < -DARKER * np.sqrt(bias), 0.0, light**2 - bias)
    values = _as_shares(contributions.certainty(found, lights.every) * square)
    return [
        [_squared(float(values[k, r]), trial) for r, trial in enumerate(row)]
        for k, row in enumerate(lights.trials(angle))
    ]


def _power(light: Float64, bias: Float64, certain: Float64) -> Float64:
    """(4, r) square of the light freed of its bias, over variance; negative where the light is below zero, too."""
    square = light**2 - bias
    return np.asarray(certain * np.where(light < -np.sqrt(bias), -square, square))


def _amplitude(light: Float64, bias: Float64, certain: Float64, parts: tuple[int, ...]) -> Float64:
    """(r,) root of the power of one plane or two, with the sign of the light; in proportion to it where it is small."""
    if len(parts) == 1:
        return np.asarray(np.sqrt(certain[parts[0]]) * light[parts[0]])
    one, other = parts
    both = np.maximum(certain[one] + certain[other], 1e-300)
    mean = (certain[one] * light[one] + certain[other] * light[other]) / both
    apart = (
        certain[one] * certain[other] / both * ((light[one] - light[other]) ** 2 - bias[one] - bias[other])
    )
    return np.asarray(np.sign(mean) * np.sqrt(both * mean**2 + np.maximum(apart, 0.0)))


def _squared(value: float, angle: Trial) -> Trial:
    """A share whose interval is that of an angle, the square of its sine."""
    if not (np.isfinite(value) and np.isfinite(angle.error)):
        return trial_of(value, np.inf, 0.0)
    error = float(abs(np.sin(2 * angle.value)) * angle.error)
    return Trial(value, _share_at(angle.low), _share_at(angle.high), angle.p, error, angle.freedom)


def _share_at(angle: float) -> float:
    """The square of the sine of an angle, going on below 0 and above 1 as an angle goes on beyond a right one.

    >>> [round(_share_at(part * np.pi), 3) for part in (-0.25, 0.25, 0.5, 0.75)]
    [-0.5, 0.5, 1.0, 1.5]
    """
    held = float(np.sin(np.clip(angle, -np.pi / 2, np.pi)) ** 2)
    if angle < 0:
        return -held
    return 2.0 - held if angle > np.pi / 2 else held
