"""Numbers of a whole picture that the smoothing of its parts needs: its noise by scale, and what halves confirm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core import shrinkage
from fourlight.core.honesty import MEAN_OVER_MEDIAN, Slopes, add_slopes
from fourlight.core.spare import Spare

__all__ = ["Levels", "samples"]

Float32 = npt.NDArray[np.float32]

SAMPLE_PX = 512
"""Side of the parts on which the noise of a picture is looked at."""

KEPT = 30_000
"""Ratios kept of a part: their median is known to one per cent, that of nine parts to a third of that."""


@dataclass(slots=True)
class Levels:
    """Numbers of a whole picture that the smoothing of its parts needs."""

    floor: np.float32
    """Light added below colour ratios."""
    known: dict[tuple[str, int], float] = field(default_factory=dict)
    """Noise of the halves over the expected noise by what is smoothed and scale, once it is settled."""
    seen: dict[tuple[str, int], list[Float32]] | None = None
    """Ratios of parts from which it will be known; None: they are not kept."""
    slopes: dict[str, Slopes] = field(default_factory=dict)
    """How far each half confirms what is kept of the other, by what is smoothed; empty: not judged."""

    def of(self, name: str) -> shrinkage.Level:
        """The level of one image that is smoothed: what is known, else that of the part at hand, which is kept."""

        def level(ratio: Callable[[], Float32], scale: int) -> float:
            if (name, scale) in self.known:
                return self.known[name, scale]
            values = ratio()
            if self.seen is None:
                return shrinkage.median_of(values)
            step = int(np.ceil(np.sqrt(values.size / KEPT)))
            kept = values[::step, ::step].ravel()
            self.seen.setdefault((name, scale), []).append(kept)
            return shrinkage.median_of(kept)

        return level

    def settle(self) -> None:
        """Take the levels of all parts seen so far together."""
        seen, self.seen = self.seen or {}, None
        self.known = {key: shrinkage.median_of(np.concatenate(parts)) for key, parts in seen.items()}

    def of_half(self, name: str) -> float:
        """Noise power of one half at the finest scale, over what white noise of the whole would have there."""
        power = self.known.get((name, 0), 0.0) * MEAN_OVER_MEDIAN[0]
        return 2 * power / shrinkage.NOISE_PER_SCALE[0] ** 2

    def judge(
        self, name: str, halves: tuple[Float32, Float32], variance: Float32, scales: int, spare: Spare,
        lit: Float32 | None = None,
    ) -> None:  # fmt: skip
        """Add what a part tells of how far its halves confirm each other."""
        sums = self.slopes.setdefault(name, Slopes.none(scales))
        add_slopes(halves, variance, self.of(name), sums, spare, lit)

    def caps(self, name: str) -> tuple[Float32, ...]:
        """Most of doubtful detail that is kept, by scale; empty where that was not judged."""
        return tuple(self.slopes[name].caps) if name in self.slopes else ()


def samples(shape: tuple[int, int]) -> list[tuple[slice, slice]]:
    """Parts of a picture on which its noise is looked at: all of a small one, else nine spread over it."""

    def along(length: int) -> list[slice]:
        count = min(3, -(-length // SAMPLE_PX))
        starts = np.linspace(0, max(length - SAMPLE_PX, 0), count).astype(int).tolist()
        return [slice(start, min(start + SAMPLE_PX, length)) for start in starts]

    return [(rows, columns) for rows in along(shape[0]) for columns in along(shape[1])]
