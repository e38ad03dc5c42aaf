"""The kernels of calibration, integration and unmixing run by plain Python give what the compiled ones give."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from fourlight.core import (
    bends,
    cfa,
    combine,
    defects,
    drizzle,
    lsq,
    rejected,
    rejection,
    samples,
    stored,
    sums,
    unmix,
)
from fourlight.core.networks import merging_network
from fourlight.core.reference import reference

SHAPE = (18, 20)
CELL = cfa.plane_map("RGGB")


def night():
    """Nine normalised frames, and their map, which is the same for all."""
    rng = np.random.default_rng(11)
    frames = rng.normal(100, 3, (9, *SHAPE)).astype(np.float32)
    frames[2, 8:11, 5:9] += 200
    frames[rng.random(frames.shape) < 0.05] = np.nan
    return frames, bends.straight(np.array([[0.98, 0.05, 1.3], [-0.05, 0.98, 2.1]]))


def judged(frames, bend):
    """Reference of four planes, deviations of one frame, and its mask."""
    starts = np.arange(9) * frames[0].size
    height, width, zero = np.full(9, SHAPE[0]), np.full(9, SHAPE[1]), np.zeros(9, dtype=np.int64)
    ref, scatter = np.empty((2, 4, *SHAPE), dtype=np.float32)
    behind = np.empty((4, *SHAPE), dtype=np.int32)
    network = merging_network(9)
    unbend = np.repeat(bends.inverse(bend, SHAPE, SHAPE)[None], 9, axis=0)
    for plane in range(4):
        top, left = (np.full(9, place) for place in np.argwhere(plane == CELL)[0])
        reference(
            frames.ravel(), starts, height, width, zero, zero, unbend, top, left, 0, 0, network, 0.0,
            ref[plane], scatter[plane], behind[plane],
        )  # fmt: skip
    ranges = np.stack([samples.spread(part) for part in ref])
    base, slope = np.full(SHAPE, 8.0, np.float32), np.full(SHAPE, 0.01, np.float32)
    four, used = np.repeat(bend[None], 4, axis=0), np.zeros(4, dtype=np.int64)
    deviation = rejection.deviations(
        frames[2],
        base,
        slope,
        0,
        0,
        four,
        CELL,
        ref,
        scatter,
        behind,
        ranges,
        0,
        0,
        np.ones(4),
        0.5,
        1.8,
        used,
    )
    mask, count = rejected.grown(deviation, 4.5)
    counts, totals = np.zeros(SHAPE, dtype=np.float32), np.zeros(4, dtype=np.int64)
    rejected.tally(mask, frames[2], 0, 0, four, CELL, 0, 0, counts, totals)
    return [ref, scatter, behind, deviation, used, mask, np.array(count), counts, totals]


def laid(frames, bend, ref, mask):
    """Sums, noise power and layers of drops, and fine cells."""
    table = np.random.default_rng(12).random((4, 4, 3, 3), dtype=np.float32)
    base, slope = np.full(SHAPE, 8.0, np.float32), np.full(SHAPE, 0.01, np.float32)
    own, power = np.zeros((2, 1, 2, *SHAPE, 4), dtype=np.float32)
    inverse, layers = np.empty((*SHAPE, 4), dtype=np.float32), np.empty((7, 14, 16), dtype=np.float32)
    cells = np.zeros((SHAPE[0], 4, lsq.SUMS, SHAPE[1]), dtype=np.float32)
    common = (base, slope, mask, 0, 0, bend, CELL, 1)
    for k, frame in enumerate(frames):
        drizzle.deposit_values(frame, *common, table, 1.0, 100.0, 1.0, 0.5, ref, 0, 0, own[0, k % 2])
        lsq.gathered(frame, *common, 1.0, 100.0, 1.0, 0.5, ref, 0, 0, 2, cells)
    for half in range(2):
        sums.inverse_weights(own, 0, half, inverse)
        for frame in frames[half::2]:
            drizzle.deposit_variance(
                frame, *common, table, 1.0, 100.0, 1.0, 0.5, ref, 0, 0, inverse, power[0, half]
            )
    noise = sums.finish(own[0], power[0], 0, 0.95, 2, layers)
    return [own, power, layers, np.array(noise), cells]


def calibrated(frames):
    """Clipped means, defects, and words made into numbers."""
    frames = frames.copy()
    frames[:, 6, 6] += 300
    noise = np.full((9, 2, 2), 3.0)
    words, read = frames[0].astype(np.float64), np.empty((9, 15), dtype=np.float32)
    words = np.nan_to_num(words, nan=-7).astype(">i2").view("<u2")
    stored.fill_from_words(words, 3, 2, True, True, 32768.0, read)
    found = defects.persistent(frames, noise, 0, 6.0, defects.STAR_MOVED)
    return [
        *combine.clipped_mean(frames, 2.0, 3.0),
        found,
        np.array(defects.stars_moved(frames, noise, 0)),
        read,
    ]


def unmixed():
    """Two kinds of light of three channels, one of which is missing at a pixel."""
    rng = np.random.default_rng(1)
    variances = rng.uniform(1, 9, (3, 3, 4)).astype(np.float32)
    variances[1, 2, 3] = np.nan
    values = rng.normal(9, 3, (3, 3, 4)).astype(np.float32)
    return list(unmix.unmix(values, variances, variances, rng.uniform(0, 1, (3, 2))))


def results():
    frames, bend = night()
    found = judged(frames, bend)
    return found + laid(frames, bend, found[0][1], found[5]) + unmixed() + calibrated(frames)


def test_plain_python_gives_the_same(tmp_path):
    kept = tmp_path / "plain.npz"
    done = subprocess.run(
        [sys.executable, __file__, kept], env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    compiled = results()
    with np.load(kept) as plain:
        for one, other in zip(plain.values(), compiled, strict=True):
            # sums of float32 numbers, which plain Python rounds in other places
            np.testing.assert_allclose(one, other, rtol=1e-5, atol=1e-4)
    reference_, deviation, mask, layers = (compiled[k] for k in (0, 3, 5, 11))
    kept, defective = compiled[-4], compiled[-3]
    assert 5 < kept.mean() < 9
    assert defective[6, 6]
    assert np.isfinite(reference_).mean() > 0.5
    assert np.abs(deviation).max() > 20
    assert 0 < mask.sum() < 40
    assert np.isfinite(layers[0]).mean() > 0.5


if __name__ == "__main__":
    from numba import config

    assert config.DISABLE_JIT
    np.savez(Path(sys.argv[1]), *results())
