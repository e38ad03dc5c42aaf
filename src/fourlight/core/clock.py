"""Where the time of a night goes: subs through one filter after another, with all that comes between them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["CHANGE", "DITHER", "DOWNLOAD", "REFOCUS", "REFOCUS_EVERY", "laid_out", "round_that_fits"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

CHANGE, REFOCUS, REFOCUS_EVERY, DOWNLOAD, DITHER = range(5)
"""Places of costs, all in seconds: one change of the filter, one refocus, time after which the next is due, reading out
one sub, moving the mount between subs."""
HALVINGS = 40


@njit(cache=True, nogil=True)
def _lay(
    span: float, sub: Float64, goal: Float64, costs: Float64, every: int, after_change: bool, ends: Float64,
    which: Int64, spent: Float64,
) -> int:  # fmt: skip
    filters, count, now, focused, current, done = len(sub), 0, 0.0, -1e18, -1, np.zeros(len(sub))
    fits = goal > 0
    for turn in range(1, 1_000_000_000):
        if not fits.any():
            break
        for i in range(filters):
            while fits[i] and done[i] + 0.5 * sub[i] < turn * goal[i]:
                change = costs[CHANGE] if current not in (-1, i) else 0.0
                due = now + change - focused >= costs[REFOCUS_EVERY]
                due = due or (after_change and current not in (-1, i))
                refocus = costs[REFOCUS] if due else 0.0
                end = now + change + refocus + sub[i] + costs[DOWNLOAD]
                if end > span or count == len(ends):
                    fits[i] = False
                    break
                spent[i] += sub[i]
                spent[filters] += costs[DOWNLOAD]
                spent[filters + 1] += change
                spent[filters + 2] += refocus
                if due:
                    focused = now + change + refocus
                ends[count], which[count] = end, i
                count += 1
                done[i] += sub[i]
                current, now = i, end
                if count % every == 0:
                    now += costs[DITHER]
                    spent[filters] += costs[DITHER]
    return count


def laid_out(
    span_s: float, sub_s: Float64, share: Float64, round_s: float, costs: Float64, *, dither_every: int = 1,
    refocus_after_change: bool = True,
) -> tuple[Float64, Int64, Float64]:  # fmt: skip
    """Subs in the order in which they are taken, until the time is over.

    A sub that would not end in time is left out, and so are all later ones through its filter: shorter ones through
    others go on.

    Parameters
    ----------
    span_s : float
        From the first moment to the last.
    sub_s : (f,) float64
        Length of subs through each filter, in order.
    share : (f,) float64
        Of the light that each filter gets.
    round_s : float
        Light of all filters together in one round; each round goes once through all filters.
    costs : (5,) float64
        See `CHANGE`.
    dither_every : int
        Subs between moves of the mount.
    refocus_after_change : bool

    Returns
    -------
    ends : (n,) float64
        When each sub is read out, seconds from the first moment.
    which : (n,) int64
        Its filter.
    spent : (f + 3,) float64
        Seconds of light through each filter; then of reading out and dithering, of changing, of refocusing.

    Examples
    --------
    >>> costs = np.array([10.0, 0.0, 1e9, 2.0, 0.0])
    >>> ends, which, spent = laid_out(400.0, np.array([60.0, 60.0]), np.array([1.0, 1.0]), 240.0, costs)
    >>> ends.tolist(), which.tolist(), spent.tolist()
    ([62.0, 124.0, 196.0, 258.0, 330.0, 392.0], [0, 0, 1, 1, 0, 0], [240.0, 120.0, 12.0, 20.0, 0.0])
    """
    most = int(span_s / float(sub_s.min())) + 1
    ends, which = np.empty(most), np.empty(most, dtype=np.int64)
    spent = np.zeros(len(sub_s) + 3)
    goal = round_s * share / share.sum()
    count = _lay(span_s, sub_s, goal, costs, dither_every, refocus_after_change, ends, which, spent)
    return ends[:count], which[:count], spent


def round_that_fits(
    span_s: float, sub_s: Float64, share: Float64, costs: Float64, *, dither_every: int = 1,
    refocus_after_change: bool = True,
) -> float:  # fmt: skip
    """Light of the longest round in which every filter has its turn once and the last is done in time, seconds."""

    def fits(round_s: float) -> bool:
        _, _, spent = laid_out(
            span_s,
            sub_s,
            share,
            round_s,
            costs,
            dither_every=dither_every,
            refocus_after_change=refocus_after_change,
        )
        wanted = np.rint(round_s * share / share.sum() / sub_s) * sub_s
        return bool((spent[: len(sub_s)] >= wanted - 1e-6).all())

    low, high = 0.0, span_s * 1.01
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low
