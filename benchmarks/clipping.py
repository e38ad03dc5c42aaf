"""Clipping by median and MAD alone, of values that lie on each other: our kernels and astropy on the same cube."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from astropy.stats import sigma_clip
from clocks import in_turns
from numba import njit

from fourlight.core.lanes import LANES
from fourlight.core.networks import merging_network, sort_columns
from fourlight.core.reference import middles

__all__ = ["alone"]

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

SIGMA = 4.5


@njit(nogil=True)
def _mark(values: Float32, middle: Float32, scatter: Float32, sigma: np.float32, out: Bool) -> None:
    for i in range(out.size):
        out[i] = abs(values[i] - middle[i]) > sigma * scatter[i]


@njit(nogil=True)
def _clipped(cube: Float32, network: npt.NDArray[np.int64], sigma: np.float32, out: Bool) -> None:
    """``cube`` (frames, n), n a multiple of ``LANES``, none of it NaN; ``out`` of that shape is written."""
    frames, n = cube.shape
    values = np.full(((frames + 7) // 8 * 8, LANES), np.float32(np.inf))
    middle, scatter, spare = np.empty((3, LANES), dtype=np.float32)
    for first in range(0, n, LANES):
        part = slice(first, first + LANES)
        for f in range(frames):
            values[f] = cube[f, part]
        sort_columns(values, network)
        middles(values, frames, middle, scatter, spare)
        for f in range(frames):
            _mark(cube[f, part], middle, scatter, sigma, out[f, part])


def alone(frames: int = 24, pixels: int = 1 << 20) -> dict[str, float]:
    """Time per value, ns, of both, and how many of the values they judge otherwise."""
    rng = np.random.default_rng(2)
    cube = rng.normal(500, 12, (frames, pixels)).astype(np.float32)
    cube[rng.integers(0, frames, 5000), rng.integers(0, pixels, 5000)] += 200
    network, mask = merging_network(frames), np.empty(cube.shape, dtype=np.bool_)

    def library() -> Bool:
        done = sigma_clip(
            cube, sigma=SIGMA, maxiters=1, cenfunc="median", stdfunc="mad_std", axis=0, copy=False
        )
        return np.ma.getmaskarray(done)

    least, found = in_turns(
        {"ours": lambda: _clipped(cube, network, np.float32(SIGMA), mask), "astropy": library}
    )
    out = {f"{name} alone, ns": 1e9 * time / cube.size for name, time in least.items()}
    return out | {"judged otherwise": float((mask != found["astropy"]).sum()), "values": float(cube.size)}
