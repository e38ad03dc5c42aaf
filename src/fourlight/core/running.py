"""Sums of a stack that goes on frame by frame: means, half stacks, noise, and the variance between frames."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["add_frame", "noise_power", "reference"]

Float32 = npt.NDArray[np.float32]
Int32 = npt.NDArray[np.int32]

ENOUGH = np.float32(1e-3)
"""Share of a frame's usual weight under which the corner of a drop says nothing of the scatter between frames."""


@njit(cache=True, nogil=True, error_model="numpy")
def add_frame(
    own: Float32, power: Float32, usual: float, mine: Float32, other: Float32, noise: Float32, apart: Float32
) -> None:
    """Add what one frame lays on a part of the stack.

    The sum of squared deviations goes on by the pairwise formula of Chan, Golub & LeVeque (1979, Stanford report
    STAN-CS-79-773, eq. 2.1b, here with weights): M += (m - mean)^2 W w / (W + w), which loses no digits where the
    scatter is small beside the mean.

    Parameters
    ----------
    own : (h, w, 4) float32
        Sums of the frame, see `fourlight.core.drizzle.deposit_values`.
    power : (h, w, 4) float32
        Its noise power where all weights are 1; the first lane is taken.
    usual : float
        Weight of one of its samples at the sky level.
    mine, other : (h, w, 4) float32
        Sums of the half that the frame is in, added to, and of the other half.
    noise : (h, w) float32, added to
        Noise power of its half.
    apart : (h, w) float32, added to
        Weighted sum of squared deviations of frames from their mean.
    """
    h, w, _ = own.shape
    for j in range(h):
        for i in range(w):
            weight = own[j, i, 1]
            if not weight > 0:
                continue
            before = mine[j, i, 1] + other[j, i, 1]
            if before > 0 and weight > ENOUGH * usual:
                away = own[j, i, 0] / weight - (mine[j, i, 0] + other[j, i, 0]) / before
                apart[j, i] += away * away * (before * weight / (before + weight))
            for k in range(4):
                mine[j, i, k] += own[j, i, k]
            noise[j, i] += power[j, i, 0]


@njit(cache=True, nogil=True, error_model="numpy")
def reference(
    first: Float32,
    second: Float32,
    apart: Float32,
    frames: int,
    value: Float32,
    scatter: Float32,
    behind: Int32,
) -> None:
    """What new samples are compared with: the mean so far, the scatter of frames about it, and how many they are.

    Parameters
    ----------
    first, second : (h, w, 4) float32
        Sums of both halves.
    apart : (h, w) float32
        See `add_frame`.
    frames : int
        Added so far.
    value, scatter : (h, w) float32, written
        NaN and 0 where there is nothing.
    behind : (h, w) int32, written
        Effective samples, at most as many as frames.
    """
    h, w = value.shape
    for j in range(h):
        for i in range(w):
            weight = first[j, i, 1] + second[j, i, 1]
            if not weight > 0:
                value[j, i], scatter[j, i], behind[j, i] = np.nan, 0.0, 0
                continue
            value[j, i] = (first[j, i, 0] + second[j, i, 0]) / weight
            number = weight * weight / (first[j, i, 2] + second[j, i, 2])
            number = min(number, np.float32(frames))
            behind[j, i] = np.int32(number + 0.5)
            free = max(number - 1, np.float32(1))
            scatter[j, i] = np.sqrt(apart[j, i] / weight * number / free)


@njit(cache=True, nogil=True, error_model="numpy")
def noise_power(sums: Float32, noise: Float32, power: Float32) -> None:
    """Noise power in the stack and in its halves from that laid down with all weights 1.

    It holds where the weights change little over a drop, as they do once drops overlap.

    Parameters
    ----------
    sums : (2, h, w, 4) float32
        Of both halves.
    noise : (2, h, w) float32
        Noise power of both, see `add_frame`.
    power : (2, h, w, 4) float32, written
        In the first lane that in the stack, in the second that in its own half, for `fourlight.core.sums.finish`.
    """
    _, h, w, _ = sums.shape
    for j in range(h):
        for i in range(w):
            both = sums[0, j, i, 1] + sums[1, j, i, 1]
            for half in range(2):
                mine = sums[half, j, i, 1]
                power[half, j, i, 0] = noise[half, j, i] / (both * both) if both > 0 else np.float32(0)
                power[half, j, i, 1] = noise[half, j, i] / (mine * mine) if mine > 0 else np.float32(0)
