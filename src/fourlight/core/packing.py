"""Sums of samples in few bytes, to be kept: empty places take a bit, weights and ratios half precision."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["packed", "unpacked"]

Float32 = npt.NDArray[np.float32]
Arrays = dict[str, npt.NDArray[Any]]

STEPS = 256
"""Steps along a fine cell in which the mean place of its samples is kept."""


def packed(sums: Float32, fine: int = 0) -> Arrays:
    """Sums as arrays for `unpacked`, in half of their room, or far less where many are empty.

    Parameters
    ----------
    sums : (h, w, n) float32
        The sum of weight times value, and of weight; others are kept as their ratios to the weight.
    fine : int
        Fine cells along a pixel, where sums (h, fine^2, n, w) are those of `fourlight.core.lsq.gathered`: weight
        before weight times value, then weight times x and y. 0: those of `fourlight.core.drizzle.deposit_values`.

    Returns
    -------
    dict of str to array
        Means of values are kept whole, weights and ratios to one part in 2,000, places to 1/512 of a cell.
    """
    if fine:
        sums = np.moveaxis(sums, 2, -1).reshape(-1, sums.shape[3], sums.shape[2])
    h, w, n = sums.shape
    value, weight = (1, 0) if fine else (0, 1)
    there = sums[..., weight] > 0
    cells = sums[there]
    whole = cells[:, weight]
    scale = whole.max(initial=1e-30)
    ratios = cells[:, 4 if fine else 2 :] / whole[:, None]
    usual = np.abs(ratios).max(axis=0, initial=1e-30)
    out: Arrays = {
        "shape": np.array([h, w, n]),
        "there": np.packbits(there),
        "scale": np.append(usual, scale).astype(np.float32),
        "weight": (whole / scale).astype(np.float16),
        "mean": cells[:, value] / whole,
        "ratios": (ratios / usual).astype(np.float16),
    }
    if fine:
        place = cells[:, 2:4] / whole[:, None] * fine - _corner(there, fine)
        out["place"] = np.clip(place * STEPS, 0, STEPS - 1).astype(np.uint8)
    return out


def unpacked(parts: Mapping[str, npt.NDArray[Any]], fine: int = 0) -> Float32:
    """The sums that `packed` was given, float32.

    >>> sums = np.zeros((2, 2, 4), np.float32)
    >>> sums[0, 1] = 6.0, 2.0, 4.0, 1.0
    >>> unpacked(packed(sums))[0].tolist()
    [[0.0, 0.0, 0.0, 0.0], [6.0, 2.0, 4.0, 1.0]]
    """
    h, w, n = (int(size) for size in parts["shape"])
    there = np.unpackbits(parts["there"], count=h * w).astype(np.bool_).reshape(h, w)
    *usual, scale = parts["scale"]
    weight = parts["weight"].astype(np.float32) * scale
    ratios = parts["ratios"].astype(np.float32) * np.array(usual, dtype=np.float32)
    columns = [parts["mean"] * weight, weight]
    if fine:
        place = (_corner(there, fine) + (parts["place"] + np.float32(0.5)) / STEPS) / fine
        columns = [weight, columns[0], *(place * weight[:, None]).T]
    out = np.zeros((h, w, n), dtype=np.float32)
    out[there] = np.column_stack([*columns, *(ratios * weight[:, None]).T])
    return np.ascontiguousarray(np.moveaxis(out.reshape(-1, fine**2, w, n), -1, 2)) if fine else out


def _corner(there: npt.NDArray[np.bool_], fine: int) -> Float32:
    """First x and y (m, 2) of each cell that is not empty, in cells from the pixel centre before it."""
    kind = np.nonzero(there)[0] % fine**2
    return np.column_stack([kind % fine, kind // fine]).astype(np.float32)
