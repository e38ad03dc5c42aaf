"""Curves of cameras that end where they still pass light: what lies beyond is not known, and carried as an error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fourlight.sensor.filters import DARK
from fourlight.sensor.response import FloatArray, Response

__all__ = ["FARTHEST_NM", "with_open_ends"]

FARTHEST_NM = (320.0, 1000.0)
"""Beyond these next to nothing comes through air and glass, or is held by silicon (common practice, no source)."""
EDGE_NM = 1e-6
"""Behind the end of a curve, where what is counted falls to zero."""


def with_open_ends(response: Response) -> Response:
    """The same response, with an error for what is not known beyond an end at which it passes light.

    Beyond, nothing is counted, as before. What is there may be anything from nothing to the value at the end, going
    down evenly to the farthest wavelength at which a sensor counts: its root mean square is 1 / sqrt(3) of the largest
    (uniform distribution). It is one mode for each end: what cuts light there, a window or none, cuts it in all
    colours.

    Examples
    --------
    >>> one = Response("x", np.array([400.0, 700.0]), np.array([[0.0, 0.6]]), "absolute", "made up", channels=("G",))
    >>> found = with_open_ends(one)
    >>> found.open_nm, found.range_nm, found.at(np.array([850.0])).tolist()
    ((700.0,), (400.0, 700.0), [[0.0]])
    >>> found.modes_at(np.array([600.0, 850.0])).round(3).tolist()
    [[[0.0, 0.173]]]
    """
    low, high = response.range_nm
    least = DARK * response.curves.max()
    first = response.curves[:, 0].max() > least and low - EDGE_NM > FARTHEST_NM[0]
    last = response.curves[:, -1].max() > least and high + EDGE_NM < FARTHEST_NM[1]
    before = [FARTHEST_NM[0], low - EDGE_NM] if first else []
    after = [high + EDGE_NM, FARTHEST_NM[1]] if last else []
    sides = ((0, 0), (len(before), len(after)))
    wave = np.concatenate([before, response.wave_nm, after])
    modes = [np.pad(response.modes, ((0, 0), *sides))]
    modes += [_mode(response.curves[:, 0], len(wave), 1)] * bool(first)
    modes += [_mode(response.curves[:, -1], len(wave), len(wave) - 2)] * bool(last)
    return replace(
        response,
        wave_nm=wave,
        curves=np.pad(response.curves, sides),
        modes=np.concatenate(modes),
        known_nm=(low, high),
    )


def _mode(value: FloatArray, count: int, place: int) -> FloatArray:
    """(1, c, n) what may be beyond an end, just behind it; zero elsewhere."""
    mode = np.zeros((1, len(value), count))
    mode[0, :, place] = value / np.sqrt(3.0)
    return mode
