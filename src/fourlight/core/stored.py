"""Samples of 16 bits as files hold them, made into numbers in one pass."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["fill_from_words"]

Float32 = npt.NDArray[np.float32]
Words = npt.NDArray[np.uint16]


@njit(cache=True, nogil=True)
def fill_from_words(
    words: Words, x0: int, step: int, swapped: bool, signed: bool, zero: float, out: Float32
) -> None:
    """Fill ``out`` (n, width) with ``zero`` plus the numbers in every ``step``-th row of words, from column ``x0`` on.

    Parameters
    ----------
    words : (ny, nx) uint16
        As they lie in the file.
    swapped : bool
        Whether the bytes of a word are in the other order.
    signed : bool
        Whether words from 32768 on stand for negative numbers (two's complement).

    Examples
    --------
    >>> out = np.empty((1, 2), np.float32)
    >>> fill_from_words(np.array([[9, 0x0180, 0x0100]], ">u2").view("<u2"), 1, 1, True, True, 32768.0, out)
    >>> out.tolist()
    [[33152.0, 33024.0]]
    """
    # flipping the highest bit of a signed word makes it an unsigned one that is larger by 32768
    flip = np.uint16(0x8000 if signed else 0)
    shift = np.float32(zero - 32768.0 if signed else zero)
    for j in range(out.shape[0]):
        row, to = words[j * step, x0 : x0 + out.shape[1]], out[j]
        if swapped:
            for k in range(to.size):
                word = row[k]
                to[k] = np.float32(np.uint16((word >> 8) | (word << 8)) ^ flip) + shift
        else:
            for k in range(to.size):
                to[k] = np.float32(row[k] ^ flip) + shift
