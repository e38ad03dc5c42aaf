"""Light that is added to samples which were counted before: photons with their own noise, not a level.

Light that comes in addition is counted independently of what was there: the sum of two Poisson numbers is one of the
sum of their means. So a sample that held the electrons of a dark sky becomes one that a brighter sky would have
given, with the noise of both. Nothing can be taken away in this manner: noise that was counted stays.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["by_chance", "with_added_light"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

BROAD = 0.5
"""Noise of the added light in steps from which on plain rounding is unbiased (to 0.3 % of a step, by the Fourier
series of the rounding error of normal numbers: exp(-2 pi^2 sigma^2) / pi)."""


def by_chance(mean_e: float, gain_e_per_adu: float, step_adu: float) -> bool:
    """Whether added light is rounded up or down by chance: its noise is too small for plain rounding.

    >>> by_chance(4.0, 1.0, 1.0), by_chance(1.0, 5.0, 1.0)
    (False, True)
    """
    return bool(np.sqrt(max(mean_e, 0.0)) < BROAD * gain_e_per_adu * step_adu)


def with_added_light(
    samples_adu: Float32, mean_e: Float64, gain_e_per_adu: float, step_adu: float, full_adu: float,
    rng: np.random.Generator, *, chance: bool = False,
) -> Float32:  # fmt: skip
    """Samples as they would have been with more light.

    Parameters
    ----------
    samples_adu : (ny, nx) float32
        As the file has them; NaN stays.
    mean_e : (ny, nx) float64
        Mean electrons that are added to each sample, 0 or more.
    gain_e_per_adu : float
    step_adu : float
        Of the digitiser; 0: samples are not whole numbers, and nothing is rounded.
    full_adu : float
        Level of a full sample, at which all ends; a sample above it stays as it is. May be infinite.
    rng : Generator
    chance : bool
        Round up or down by chance, see `by_chance`: unbiased however little light it is, at up to a quarter of a
        squared step of variance in place of a twelfth.

    Returns
    -------
    (ny, nx) float32
        Rounding the added light adds a twelfth of a squared step to the variance, once more than a camera would.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> old = np.full((200, 200), 500, dtype=np.float32)
    >>> new = with_added_light(old, np.full(old.shape, 900.0), 2.0, 1.0, 65535.0, rng) - old
    >>> abs(float(new.mean()) - 450) < 1, abs(float(new.var()) / (900 / 4 + 1 / 12) - 1) < 0.03
    (True, True)
    """
    more = rng.poisson(mean_e) / gain_e_per_adu
    if step_adu > 0:
        steps = more / step_adu
        # halves go to even numbers: where the gain is whole they are many, and upwards would be too bright
        more = (np.floor(steps + rng.random(steps.shape)) if chance else np.rint(steps)) * step_adu
    # in double precision, so that whole numbers of 32-bit files stay whole
    new = samples_adu + more
    return np.where(new > full_adu, np.maximum(samples_adu, full_adu), new).astype(np.float32)
