"""Drizzle of the samples of a tile: each colour plane from its own samples, as drops (Fruchter & Hook 2002)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from fourlight.core import bends, drizzle, sums
from fourlight.core.cfa import PLANES
from fourlight.core.overlap import PHASES, overlap_table, span
from fourlight.errors import StageError
from fourlight.stages.geometry import HALO, FrameTable
from fourlight.stages.stack_layers import GROUPS, LAYERS, PlaneLayers, Sums
from fourlight.stages.tile_samples import TileSamples

__all__ = ["Drops"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

MOST_TABLE_BYTES = 100e6
"""Of all overlap tables: one takes a megabyte where drops touch 2 x 2 pixels, nine where they touch 6 x 6."""

EVEN = 4
"""Drops on a pixel by which it is told how noise power changes with the weights."""


class _Overlaps:
    """Overlap tables of all frames, made once; frames whose maps turn and stretch alike share one.

    Parts that differ by less than 1/4000 share a table. Where that still takes too many (a field that turns all
    night), the tables are made coarser: at a thousand times that step a drop's corner is off by a tenth of a pixel.
    """

    def __init__(self, matrices: Float64, pixfrac: float) -> None:
        linear = matrices[:, :, :2].reshape(len(matrices), 4)
        step = 1 / 2000
        widest = max((span(matrix[:, :2], pixfrac) for matrix in matrices), default=1)
        most = max(int(MOST_TABLE_BYTES / (4 * PHASES**2 * widest**2)), 1)
        while len(np.unique(np.round(linear / step), axis=0)) > most:
            step *= 2
        keys, self._index = np.unique(np.round(linear / step), axis=0, return_inverse=True)
        self._tables = [overlap_table((key * step).reshape(2, 2), pixfrac) for key in keys]

    def of(self, frame: int) -> Float32:
        """Table of a frame, by its row of the frame table."""
        return self._tables[int(self._index[frame])]


class Drops:
    """Drizzle with drops of one size.

    Parameters
    ----------
    table : FrameTable
    pixfrac : float
        Side of a drop in pixels of its frame.
    whole : FrameTable or None
        All frames of the stack, where ``table`` holds only those that are added to earlier sums.
    """

    fine: ClassVar[int] = 0
    FIXED_BYTES: ClassVar[int] = 400
    """Memory per pixel of a tile that does not depend on the number of frames."""

    def __init__(self, table: FrameTable, pixfrac: float, whole: FrameTable | None = None) -> None:
        whole = whole or table
        widest = max(span(matrix[:, :2], pixfrac) for matrix in whole.matrix)
        if 2 * widest - 1 > HALO:
            raise StageError(
                "integrate", None, f"drops of {pixfrac:g} px of the coarsest frame span {widest} px of the stack",
                f"{(HALO + 1) // 2} at most: choose a coarser frame as registration.reference or smaller drops",
            )  # fmt: skip
        self._overlaps = _Overlaps(table.matrix, pixfrac)
        self._claim = _claim(whole, pixfrac)
        size = np.abs(np.linalg.det(whole.matrix[:, :, :2]))
        usual = np.argsort(size)[len(size) // 2]
        self._usual = _Overlaps(whole.matrix[usual : usual + 1], pixfrac).of(0)

    @staticmethod
    def batches(count: int) -> list[Int64]:
        """All frames at once: noise power asks for the weights of all of them."""
        return [np.arange(count)]

    def planes(
        self, seen: Iterable[tuple[TileSamples, Float32]], table: FrameTable, earlier: Sums | None = None,
        kept: Sums | None = None,
    ) -> dict[str, PlaneLayers]:  # fmt: skip
        """All output planes of a tile."""
        ((found, ref),) = seen
        out: dict[str, PlaneLayers] = {}
        # New memory costs more than what is done in it: all groups use the same.
        most = max(len(group) for group in GROUPS)
        own, power = (np.empty((most, 2, *found.padded_shape, 4), dtype=np.float32) for _ in range(2))
        inverse = np.empty(own.shape[2:], dtype=np.float32)
        for group in GROUPS:
            indices = [PLANES.index(name) for name in group]
            drops = [_drops(found, ref, table, plane, self._overlaps) for plane in indices]
            before = [earlier[name] if earlier else None for name in group]
            for part, some, other in zip(own, drops, before, strict=False):
                _lay_values(some, part, other)
            for n, some in enumerate(drops):
                _lay_noise(
                    some,
                    own[: len(group)],
                    n,
                    inverse,
                    power[n],
                    before[n],
                    found.offset,
                    self._usual,
                )
                if kept is not None:
                    kept[group[n]] = _to_keep(own[n], power[n])
            for n, name in enumerate(group):
                out[name] = _finished(own[n], power[n], 0, self._claim)
            if len(group) > 1:
                own[0] += own[1]
                power[0] += power[1]
                out["G"] = _finished(own[0], power[0], 2, self._claim)
        return out

    @property
    def claim(self) -> float:
        """Factor on noise power that gives VAR, see `_claim`."""
        return self._claim

    def deposits(
        self, found: TileSamples, ref: Float32, table: FrameTable, plane: int
    ) -> Iterator[tuple[int, Float32, Float32]]:
        """What each frame alone lays on a tile with its halo, for sums that go on frame by frame.

        Yields
        ------
        half : int
        own : (ph, pw, 4) float32
            See `fourlight.core.drizzle.deposit_values`.
        power : (ph, pw, 4) float32
            Noise power of its samples where all weights are 1, in every lane. The arrays are used again for the next.
        """
        own, power, ones = (np.empty((*found.padded_shape, 4), dtype=np.float32) for _ in range(3))
        ones[:] = 1
        for half, arguments in _drops(found, ref, table, plane, self._overlaps):
            own[:] = power[:] = 0
            drizzle.deposit_values(*(*arguments, own))
            drizzle.deposit_variance(*(*arguments, ones, power))
            yield half, own, power


Arguments = list[tuple[int, tuple[Any, ...]]]


def _drops(
    found: TileSamples,
    ref: Float32,
    table: FrameTable,
    plane: int,
    overlaps: _Overlaps,
) -> Arguments:
    """The half that each frame is in, and what both deposits of one plane need of it."""
    return [
        (
            int(table.half[f]),
            (
                *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], table.cell[f], plane,
                overlaps.of(f), table.floor[f, plane], table.level[plane], table.merit[f, plane],
                table.shared[f, plane], ref[plane], *found.offset,
            ),
        )
        for k, f in enumerate(found.frames)
    ]  # fmt: skip


def _lay_values(drops: Arguments, own: Float32, before: list[Float32] | None) -> None:
    """Write the sums of each half to (2, ph, pw, 4), those of earlier samples (ph, pw, 5) among them."""
    for half in range(2):
        own[half] = 0 if before is None else before[half][..., :4]
    for half, arguments in drops:
        drizzle.deposit_values(*(*arguments, own[half]))


def _lay_noise(
    drops: Arguments,
    own: Float32,
    plane: int,
    inverse: Float32,
    power: Float32,
    before: list[Float32] | None,
    offset: tuple[int, int],
    overlap: Float32,
) -> None:
    """Write the noise power that samples of each half add to (2, ph, pw, 4): the plane, its half, both of the group.

    ``own`` (n, 2, ph, pw, 4) holds the sums of all planes of the group.
    """
    power[:] = 0
    for part in range(2):
        sums.inverse_weights(own, plane, part, inverse)
        for half, arguments in drops:
            if half == part:
                drizzle.deposit_variance(*(*arguments, inverse, power[part]))
        if before is not None:
            power[part] += _power_before(before, part, inverse, offset, overlap)


def _to_keep(own: Float32, power: Float32) -> list[Float32]:
    """Sums of each half, and behind them its noise power in the sum of both, (ph, pw, 5).

    That of the sum is about as large as the weight, so that it can be kept as a ratio to it; that of the mean is
    largest where there is hardly any weight.
    """
    squared = np.square(own[0, ..., 1] + own[1, ..., 1])
    return [np.dstack([own[half], power[half, ..., 0] * squared]) for half in range(2)]


def _spread_evenly(weight: Float32, offset: tuple[int, int], overlap: Float32) -> tuple[Any, ...]:
    """Drops that lie on a grid, `EVEN` on a pixel, each with noise as there is weight (ph, pw) there."""
    ph, pw = weight.shape
    side = round(2 * EVEN**0.5)  # of the pixels of a frame whose own plane has one sample in four
    shape = (side * ph, side * pw)
    rows, columns = (
        np.minimum(np.rint(np.arange(n) / side + 0.25), n // side - 1).astype(int) for n in shape
    )
    share = weight[np.ix_(rows, columns)] / max(float(weight.max()), 1e-30)
    # The weight is blurred by the drops: its square is nearer to where they fell.
    variance = np.asarray(1 / np.maximum(share, 1e-9) ** 2, dtype=np.float32)
    oy, ox = offset
    place = np.array([[1 / side, 0, ox + 0.25], [0, 1 / side, oy + 0.25]])
    return (
        np.zeros(shape, dtype=np.float32), variance, np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.int8),
        0, 0, bends.straight(place), np.array([[0, 1], [1, 1]]), 0, overlap, 0.0, 0.0, 1.0, 0.0,
        np.zeros((ph, pw), dtype=np.float32), oy, ox,
    )  # fmt: skip


def _power_before(
    before: list[Float32], half: int, inverse: Float32, offset: tuple[int, int], overlap: Float32
) -> Float32:
    """Noise power (ph, pw, 4) of earlier samples of one half, once others have come on top of them.

    Where they fell is no longer known: drops spread as evenly as their weights tell what the change does to it.
    """
    weight = before[0][..., 1] + before[1][..., 1]
    alone = np.repeat(np.where(weight > 0, 1 / np.maximum(weight, 1e-30), 0)[..., None], 4, axis=2)
    even = _spread_evenly(before[half][..., 1], offset, overlap)
    then, now = np.zeros_like(inverse), np.zeros_like(inverse)
    drizzle.deposit_variance(*(*even, np.ascontiguousarray(alone, dtype=np.float32), then))
    drizzle.deposit_variance(*(*even, inverse, now))
    power = before[half][..., 4:] * np.square(alone)
    return np.asarray(power * now / np.where(then > 0, then, np.inf), dtype=np.float32)


def _claim(table: FrameTable, pixfrac: float) -> float:
    """Factor on VAR that shares the rim effect of 8 x 8 blocks evenly between them and larger areas."""
    scale = float(np.sqrt(np.median(np.abs(np.linalg.det(table.matrix[:, :, :2])))))
    return float(np.sqrt(drizzle.area_factor(pixfrac * scale, 8)))


def _finished(own: Float32, power: Float32, lane: int, claim: float) -> PlaneLayers:
    """Layers of one plane from its sums and noise power (2, ph, pw, 4), the latter from ``lane`` on."""
    _, ph, pw, _ = own.shape
    layers = np.empty((len(LAYERS), ph - 2 * HALO, pw - 2 * HALO), dtype=np.float32)
    noise = sums.finish(own, power, lane, claim, HALO, layers)
    return PlaneLayers(dict(zip(LAYERS, layers, strict=True)), noise)
