"""Checking the noise of every frame on what the frames themselves disagree about.

The noise measured inside a frame also holds the unresolved stars and the grain of the nebula. These are common
to all frames and drop out of the residuals from the reference, so the residuals say what the noise really is.
How wide residuals of pure noise would be, with the same frames at the same places, is found by putting pure
noise through the same steps, rounded as the samples are: residuals of whole numbers are not normal.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core import rejection, samples
from fourlight.core.noise import ROUNDING
from fourlight.core.spread import core_spread
from fourlight.stages import tile_samples
from fourlight.stages.frame_facts import FEWEST_FRAMES
from fourlight.stages.geometry import FrameTable, Tile, patch_side
from fourlight.stages.tile_samples import Reader, TileSamples

__all__ = ["believed", "noise_factors", "with_noise"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

PATCHES = 4
"""Patches along each axis of the stack."""

GROUP = 100
"""Frames that are compared with each other: of more, every second, third, ... one are, so that memory is bounded."""

ENOUGH = 500
"""Samples that a factor needs."""

MOST_KEPT = 100_000
"""Residuals kept per patch and plane, over all frames; never fewer than 256 of a frame."""

BELIEVED = 0.5, 2.0
"""Factors outside of these say that something else than noise was compared."""

LEVEL_SAMPLES = 20_000
"""Samples of a patch and plane that its sky is taken from."""

FINE = 1.0
"""Noise in steps from which the variance of rounding is a twelfth wherever the level lies."""

SOME, HALVINGS = 4000, 10
"""Samples, and steps, by which is found how much noise there is before rounding."""

SEED = 20
"""The pure noise is the same in every run."""


@dataclasses.dataclass(frozen=True, slots=True)
class _Residuals:
    """Residuals of all frames in one block, which goes back to the system whole; thousands of small arrays do not."""

    kept: Float32
    """(f, 4, patch, residual); only the first ``count`` of each patch are set."""
    count: Int64
    """(f, 4, patch)."""

    @classmethod
    def none(cls, frames: int, patches: int) -> _Residuals:
        """Room for residuals that are still to come."""
        most = int(np.clip(MOST_KEPT // frames, 256, 2000))
        shape = (frames, 4, patches)
        return cls(np.empty((*shape, most), dtype=np.float32), np.zeros(shape, dtype=np.int64))

    def keep(self, f: int, plane: int, patch: int, seen: Float32) -> None:
        """Residuals of one frame on one patch, evenly thinned to what there is room for."""
        thinned = seen[:: max(-(-len(seen) // self.kept.shape[-1]), 1)]
        self.kept[f, plane, patch, : len(thinned)] = thinned
        self.count[f, plane, patch] = len(thinned)

    def of(self, f: int, plane: int) -> Float32:
        """Those of all patches."""
        return np.concatenate(
            [kept[:n] for kept, n in zip(self.kept[f, plane], self.count[f, plane], strict=True)]
        )


def noise_factors(table: FrameTable, read: Reader) -> Float64:
    """Variance of the residuals over the expected one, per frame and plane (f, 4); 1 where it cannot be told."""
    frames = len(table.matrix)
    if frames < FEWEST_FRAMES:
        return np.ones((frames, 4))
    out, groups = np.empty((frames, 4)), -(-frames // GROUP)
    for first in range(groups):
        rows = range(first, frames, groups)
        out[rows] = _factors(table.rows(rows), _read_rows(read, rows))
    return out


def _read_rows(read: Reader, rows: Sequence[int]) -> Reader:
    """Samples of some of the frames, by their number among these."""
    return lambda f, *box: read(rows[f], *box)


def _factors(table: FrameTable, read: Reader) -> Float64:
    """The factors of frames that are compared with each other."""
    frames = len(table.matrix)
    patches = _patches(table.shape, patch_side(table))
    seen, null = (_Residuals.none(frames, len(patches)) for _ in range(2))
    random = np.random.default_rng(SEED)
    for patch, tile in enumerate(patches):
        found = tile_samples.load(tile, table, read)
        _collect(found, table, seen, patch)
        _fill_with_noise(found, table, random)
        _collect(found, table, null, patch)
    coarse = table.step / table.noise
    return np.array(
        [
            [_factor(seen.of(f, plane), null.of(f, plane), coarse[f, plane]) for plane in range(4)]
            for f in range(frames)
        ]
    )


def believed(factor: Float64) -> tuple[Float64, list[str]]:
    """Factors (f, 4) with 1 where they are too far from it to be of noise, and a note on those.

    >>> kept, notes = believed(np.array([[0.36, 0.9, 1.0, 4.0]]))
    >>> kept.tolist(), notes
    ([[1.0, 0.9, 1.0, 1.0]], ['Noise between lights is 0.60 to 2.00 times that seen inside each in 2 planes of them, \
too far from 1 to be noise: that seen inside is kept there.'])
    """
    beyond = (factor < BELIEVED[0]) | (factor > BELIEVED[1])
    if not beyond.any():
        return factor, []
    far = np.sqrt(factor[beyond])
    said = f"Noise between lights is {far.min():.2f} to {far.max():.2f} times that seen inside each in {far.size}"
    said += (
        f" plane{'s' * (far.size != 1)} of them, too far from 1 to be noise: that seen inside is kept there."
    )
    return np.where(beyond, 1.0, factor), [said]


def _patches(shape: tuple[int, int], side: int) -> list[Tile]:
    ny, nx = shape
    side = min(side, ny, nx)
    return [
        Tile(y, y + side, x, x + side)
        for y in np.linspace(0.1 * (ny - side), 0.9 * (ny - side), PATCHES).astype(int).tolist()
        for x in np.linspace(0.1 * (nx - side), 0.9 * (nx - side), PATCHES).astype(int).tolist()
    ]


def _collect(found: TileSamples, table: FrameTable, into: _Residuals, patch: int) -> None:
    """Keep the residuals of a patch from its reference, in the flatter half of each plane."""
    ref = tile_samples.reference(found, table).value
    for plane in range(4):
        ranges = samples.spread(ref[plane])
        flat = float(np.median(ranges))
        for k, f in enumerate(found.frames):
            seen = rejection.residuals(
                *found.values(k), *found.origin(k), table.bend[f, plane], table.cell[f], plane, ref[plane], ranges,
                *found.offset, table.floor[f, plane], flat,
            )  # fmt: skip
            into.keep(f, plane, patch, seen)


def _fill_with_noise(found: TileSamples, table: FrameTable, random: np.random.Generator) -> None:
    """Replace the samples by the sky of the patch plus noise of the expected variance.

    Where the digitiser has steps, part of that is rounding: by whole steps from the sample that was there, whatever
    offset and sky have been taken off it.
    """
    level = _sky(found, table)
    for k, f in enumerate(found.frames):
        for plane in range(4):
            own = _places(found, table, k, plane)
            part, base, slope = (values[own] for values in found.values(k))
            sigma = np.sqrt(np.maximum(base + slope * level[plane], 0.0))
            noise, step = sigma * random.standard_normal(part.shape), table.step[f, plane]
            if step > 0:
                away = (level[plane] - part) / step
                part += step * _rounded(away, noise / step, sigma / step)
            else:
                part[:] = level[plane] + noise + 0.0 * part


def _rounded(away: Float64, noise: Float64, sigma: Float64) -> Float64:
    """Whole numbers near ``away`` plus so much of ``noise`` that they scatter by ``sigma`` about ``away``; all (h, w).

    Rounding adds a twelfth to the variance of noise that spans a step or more; how much to that of less depends on
    where between two steps the level lies.
    """
    if sigma.size and sigma.mean() >= FINE:
        share = np.sqrt(1 - np.minimum(ROUNDING / sigma, 1) ** 2)
        return np.asarray(np.rint(away + noise * share))
    known = np.isfinite(away)
    every = max(1, int(known.sum()) // SOME)
    some, some_noise, wanted = (part[known][::every] for part in (away, noise, sigma**2))
    low, high = 0.0, 2.0
    for _ in range(HALVINGS if some.size else 0):
        middle = (low + high) / 2
        less = np.var(np.rint(some + middle * some_noise) - some) < wanted.mean()
        low, high = (middle, high) if less else (low, middle)
    return np.asarray(np.rint(away + (low + high) / 2 * noise))


def _places(found: TileSamples, table: FrameTable, k: int, plane: int) -> tuple[slice, slice]:
    """Where in rectangle k the samples of a plane stand."""
    y, x = np.argwhere(table.cell[found.frames[k]] == plane)[0].tolist()
    y0, x0 = found.origin(k)
    return slice((y - y0) % 2, None, 2), slice((x - x0) % 2, None, 2)


def _sky(found: TileSamples, table: FrameTable) -> Float64:
    """(4,) level of a patch, in which its place between two steps shows; that of the reference without samples."""
    out = table.level.astype(np.float64)
    every = max(1, found.buffer.size // (4 * LEVEL_SAMPLES))
    for plane in range(4):
        parts = [
            found.values(k)[0][_places(found, table, k, plane)].ravel()[k % every :: every]
            for k in range(len(found.frames))
        ]
        values = np.concatenate(parts) if parts else np.empty(0)
        values = values[np.isfinite(values)].astype(np.float64)
        if len(values) >= ENOUGH:
            out[plane] = core_spread(values, 1e-3, float(table.step[:, plane].max()))[0]
    return out


def _factor(seen: Float32, null: Float32, coarse: float) -> float:
    """Ratio of two variances, each of the normal core of values with steps of ``coarse``; 1 where it cannot be told."""
    if min(len(seen), len(null)) < ENOUGH:
        return 1.0
    _, width = core_spread(seen.astype(np.float64), least=coarse)
    _, expected = core_spread(null.astype(np.float64), least=coarse)
    return float((width / expected) ** 2) if expected > 0 else 1.0


def with_noise(table: FrameTable, factor: Float64, response: Float64, level: Float64) -> FrameTable:
    """The table with each frame's variance at its sky level multiplied by ``factor`` (f, 4).

    ``response`` and ``level`` (f, 4) are the median flat response and the sky of each frame, as given to
    `fourlight.stages.table.frame_table`.
    """
    sky = table.poisson[:, None] * level * response
    return dataclasses.replace(
        table,
        dark=(table.dark + sky) * factor - sky,
        floor=table.floor * factor,
        weight=table.weight / factor,
    )
