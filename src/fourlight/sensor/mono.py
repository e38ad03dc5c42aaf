"""A sensor without dyes, from the curves of the same one with them: the outline of its colours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError
from fourlight.sensor.response import MONO, Response

__all__ = ["DYES_PASS", "DYES_RANGE", "without_dyes"]

Float64 = npt.NDArray[np.float64]

DYES_PASS = 0.9
"""Part that a dye passes where it passes most: assumed, no source states it."""
DYES_RANGE = (0.8, 1.0)
"""What it may be; it cannot be more than 1."""


def without_dyes(response: Response, dyes_pass: float = DYES_PASS) -> Response:
    """The response of the sensor beneath the dyes.

    Where one dye passes nearly all, the sensor counts what that colour counts, over what the dye passes at best.
    Between the outermost peaks of the colours, where two dyes each hold something back, the outline is straight from
    peak to peak; beyond them it is that of the outer colour. The window of a camera stays in it. Errors of the curves
    go with it, so that they are the same as those of the camera with dyes.

    Parameters
    ----------
    response : Response
        Of a camera with dyes.
    dyes_pass : float
        Part that a dye passes at its best, above 0 and at most 1.

    Raises
    ------
    InputError
        The part is out of bounds.

    Examples
    --------
    >>> wave = np.array([400.0, 450.0, 500.0, 550.0, 600.0, 650.0])
    >>> curves = np.array([[0, 0, 0, 0.1, 0.9, 0.8], [0, 0.1, 0.5, 1, 0.5, 0.1], [0.4, 0.8, 0.4, 0, 0, 0]])
    >>> without_dyes(Response("x", wave, curves, "relative", "made up"), 1.0).curves.round(2).tolist()
    [[0.4, 0.8, 0.9, 1.0, 0.9, 0.8]]
    """
    if not 0 < dyes_pass <= 1:
        raise InputError(f"dyes_pass = {dyes_pass:g}: needed is a part above 0 and at most 1, such as 0.9")
    wave, curves = response.wave_nm, response.curves
    best = curves[:, np.clip(np.arange(len(wave)), *np.searchsorted(wave, response.range_nm))].argmax(axis=0)
    outline = curves.max(axis=0)
    tops = curves.argmax(axis=1)
    anchors = _anchors(wave, outline, int(tops.min()), int(tops.max()))

    between = np.array([np.interp(wave, wave[anchors], unit) for unit in np.eye(len(anchors))])

    def beneath(rows: Float64) -> Float64:
        """(..., n) of (..., c, n): values of the best colour at the anchors, straight between them."""
        return np.asarray(rows[..., best[anchors], anchors] / dyes_pass @ between)

    note = f"its dyes taken away: outline of the colours over {dyes_pass:g}, which the dyes pass at best (assumed)"
    return replace(
        response, curves=beneath(curves)[None], modes=beneath(response.modes)[:, None, :], channels=MONO,
        notes=(*response.notes, note),
    )  # fmt: skip


def _anchors(wave: Float64, outline: Float64, first: int, last: int) -> npt.NDArray[np.int64]:
    """Points that the outline goes through: all outside of the outer peaks, corners of the hull above between them."""
    corners = [first]
    for k in range(first + 1, last + 1):
        while len(corners) > 1 and _rises(wave, outline, corners[-2], corners[-1], k):
            corners.pop()
        corners.append(k)
    return np.array([*range(first), *corners, *range(last + 1, len(wave))])


def _rises(wave: Float64, outline: Float64, a: int, b: int, c: int) -> bool:
    """Whether the middle one of three points lies on or below the line through the others."""
    share = (wave[b] - wave[a]) / (wave[c] - wave[a])
    return bool(outline[b] <= outline[a] + share * (outline[c] - outline[a]))
