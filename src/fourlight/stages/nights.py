"""Estimates from the lights of several nights, with what leaving out some of them shows of their error.

One rule for all that is told of nights to come: a night counts where at least three dated lights of it hold the value,
and three such nights are needed. What other lights hold stays in the value and in its error, but tells nothing of how
nights differ.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.correlated import contrast
from fourlight.core.trials import Trial, jackknife, trial_of

__all__ = ["FEWEST_LIGHTS", "FEWEST_NIGHTS", "FRAMES", "NIGHTS", "Parts", "left_out", "parts_of"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

FRAMES, NIGHTS = "these frames", "nights like these"
"""What a statement holds for."""

FEWEST_NIGHTS = 3
"""Nights from which on an interval is for nights like these; of fewer it is for these frames alone."""
FEWEST_LIGHTS = 3
"""Dated lights that hold a value, from which on they are a night of it."""


@dataclass(frozen=True, slots=True)
class Parts:
    """The lights that hold a value: nights that count, and the rest."""

    nights: tuple[Bool, ...]
    """(n,) which lights each night that counts has; in order of their first light."""
    share: Float64
    """(k,) share of each of them in all that is held."""
    rest: Float64
    """Shares of short nights, one by one, and of the undated lights, which may be of one night, together."""

    @property
    def scope(self) -> str:
        """For what an estimate from these lights holds."""
        return NIGHTS if len(self.nights) >= FEWEST_NIGHTS else FRAMES


def parts_of(names: Sequence[str | None], weight: npt.ArrayLike | None = None) -> Parts:
    """Nights that count of lights that hold a value.

    Parameters
    ----------
    names : sequence of str or None
        Night of each light; None: not known.
    weight : (n,) array_like, optional
        What each light brings, 0 where it does not hold the value; without it all bring the same.

    Examples
    --------
    >>> found = parts_of(["a", "a", "b", "a", None, None, None])
    >>> [night.tolist() for night in found.nights], found.scope
    ([[True, True, False, True, False, False, False]], 'these frames')
    >>> [round(float(share), 3) for share in (*found.share, *found.rest)]
    [0.429, 0.143, 0.429]
    """
    label = np.array([name or "" for name in names], dtype=np.str_)
    brought = np.ones(label.size) if weight is None else np.nan_to_num(np.asarray(weight, dtype=np.float64))
    there = brought > 0
    total = max(float(brought[there].sum()), 1e-300)
    nights, share, rest = list[Bool](), list[float](), list[float]()
    for name in dict.fromkeys(label[there].tolist()):
        own = (label == name) & there
        counts = name != "" and np.count_nonzero(own) >= FEWEST_LIGHTS
        (share if counts else rest).append(float(brought[own].sum()) / total)
        if counts:
            nights.append(own)
    return Parts(tuple(nights), np.array(share), np.array(rest))


def left_out(
    names: Sequence[str | None], weight: npt.ArrayLike, estimate: Callable[[Bool], Float64]
) -> list[list[Trial]]:
    """An estimate (k, r) from all lights with its intervals.

    Parameters
    ----------
    names : sequence of str or None
        Night of each light; lights are in order of time.
    weight : array_like that can be broadcast to (n, k, r)
        What each light brings to a value, 0 where it does not hold it.
    estimate : callable
        Of some of the lights, (n,) bool.

    Returns
    -------
    list of list of Trial
        ``[k][r]``. From three nights that count on (`parts_of`) by leaving out one of them after the other; else by
        pseudo-values of the lights that hold the value, of which neighbours may have something in common.
    """
    count, known = len(names), dict[bytes, Float64]()

    def without(gone: Bool) -> Float64:
        key = gone.tobytes()
        if key not in known:
            known[key] = estimate(~gone)
        return known[key]

    whole = estimate(np.ones(count, dtype=bool))
    held = np.broadcast_to(np.asarray(weight, dtype=np.float64), (count, *whole.shape))

    def trial(k: int, r: int) -> Trial:
        value, own = float(whole[k, r]), held[:, k, r]
        parts = parts_of(names, own)
        if parts.scope == NIGHTS:
            less = [without(night)[k, r] for night in parts.nights]
            return jackknife(value, less, share=parts.share, rest=parts.rest)
        there = np.flatnonzero(own > 0)
        single = np.eye(count, dtype=bool)[there]
        left = np.array([without(light)[k, r] for light in single])
        return _of_lights(
            value, there.size * value - (there.size - 1) * left, [names[f] for f in there.tolist()]
        )

    return [[trial(k, r) for r in range(whole.shape[1])] for k in range(whole.shape[0])]


def _of_lights(value: float, alone: Float64, names: Sequence[str | None]) -> Trial:
    """An estimate with the error that the pseudo-values of lights show inside of their nights."""
    if len(names) < 2:
        return trial_of(value, np.inf, 0.0)
    night = np.array([name or "" for name in names])
    design = (night[:, None] == np.unique(night)).astype(np.float64)
    found = contrast(alone, design, design.mean(axis=0), night).trial(0.0)
    if not np.isfinite(found.error) or not np.isfinite(value):
        return trial_of(value, np.inf, 0.0)
    # about the estimate itself, which differs from the mean of pseudo-values by its bias
    shift = value - found.value
    return replace(found, value=value, low=found.low + shift, high=found.high + shift)
