"""Cameras whose curves come with the program, and the one that stands for any other: their mean, with their spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import weights
from fourlight.errors import InputError
from fourlight.sensor.open_ends import with_open_ends
from fourlight.sensor.response import Response, own_scales, with_error
from fourlight.settings import nearest

__all__ = ["GENERIC", "SENSORS", "TABLE_ERROR", "balanced", "generic", "names", "sensor"]

FloatArray = npt.NDArray[np.float64]

SENSORS = {
    "bsi-8mp": ("bsi_8mp.csv", "small back-side illuminated sensor, 8 megapixels, 1.12 um"),
    "bsi-5mp": ("bsi_5mp.csv", "small back-side illuminated sensor, 5 megapixels, 1.4 um"),
    "slr-16mp": (
        "slr_16mp.csv",
        "mirror-reflex camera, 16 megapixels, 4.8 um, with its infrared-cutting window",
    ),
}
"""Name to the table in ``sensor/tables`` (source and licence in SOURCES.md there), and what it is."""

GENERIC = "generic"

TABLE_ERROR = 0.05
"""One standard deviation of a curve whose source states none: assumed, not measured, and said so wherever it counts."""


def names() -> tuple[str, ...]:
    """All cameras that can be named."""
    return (GENERIC, *SENSORS)


@cache
def sensor(name: str) -> Response:
    """Response of a camera that comes with the program; its highest value is 1.

    Raises
    ------
    InputError
        There is none of this name; the nearest one is named.

    Examples
    --------
    >>> sensor("bsi-8mp").at(np.array([599.0]))[:, 0].round(3).tolist()
    [0.971, 0.445, 0.073]
    """
    if name == GENERIC:
        return _kept(with_open_ends(generic()))
    if name not in SENSORS:
        raise InputError(
            f"camera {name!r}: {nearest(name, names(), 'such camera')} (a CSV file with its curves will do too)"
        )
    shape = _table(name)
    if own_scales(shape.curves):
        shape = balanced(shape)
    return _kept(with_open_ends(with_error(shape, TABLE_ERROR, "assumed; its source states none")))


def _kept(response: Response) -> Response:
    """The same, with curves that nobody can change: everyone who asks gets them."""
    for curves in (response.wave_nm, response.curves, response.modes):
        curves.setflags(write=False)
    return response


@cache
def _table(name: str) -> Response:
    """Curves of a table as they are, but for their unit."""
    file, what = SENSORS[name]
    text = resources.files("fourlight.sensor").joinpath("tables", file).read_text("utf-8")
    rows = np.array([line.split(",") for line in text.splitlines()[1:] if line.strip()], dtype=np.float64)
    curves = rows[:, 1:].T / rows[:, 1:].max()
    return Response(name, rows[:, 0], curves, "by colour" if own_scales(curves) else "relative", what)


def balanced(response: Response) -> Response:
    """A response whose colours have each a scale of their own, put on one scale as other cameras have it.

    Red and blue get the mean ratio (of logarithms) of their highest value to that of green over the tables in which the
    colours share a scale, and two modes for how such a ratio differs from camera to camera: the scatter s between k
    tables, sqrt(1 + 1/k) s for one more.
    """
    known = [table for table in map(_table, SENSORS) if table.scale == "relative"]
    ratio = np.array([_log_tops(table) for table in known])
    spread = ratio.std(axis=0, ddof=1) * np.sqrt(1.0 + 1.0 / len(known))
    # Both greens of a camera share one scale: its first and last channels are red and blue.
    factor = np.ones((len(response.channels), 1))
    factor[[0, -1], 0] = np.exp(ratio.mean(axis=0) - _log_tops(response))
    curves = response.curves * factor
    modes = np.zeros((2, *curves.shape))
    modes[0, 0], modes[1, -1] = spread[0] * curves[0], spread[1] * curves[-1]
    note = (
        "each colour has a scale of its own: red and blue are put at the ratio to green of other cameras, "
        f"which scatters by {100 * spread[0]:.0f} and {100 * spread[1]:.0f} %"
    )
    top = curves.max()
    return replace(
        response, curves=curves / top, modes=np.concatenate([response.modes, modes]) / top,
        scale="by colour", notes=(*response.notes, note),
    )  # fmt: skip


def _log_tops(response: Response) -> FloatArray:
    """(2,) logarithms of the highest values of red and of blue over that of green."""
    tops = response.curves.max(axis=1)
    return np.asarray(np.log(np.array([tops[0], tops[-1]]) / tops[1:-1].mean()))


def generic(members: Sequence[str] = tuple(SENSORS)) -> Response:
    """What stands for a camera whose curve is not known: the mean of tables, with the spread between them.

    Every table is scaled to the same green over the wavelengths that all of them cover. One more camera differs from
    the mean of k by sqrt(1 + 1/k) of their scatter; what the tables do not know of themselves comes on top, and keeps
    directions open in which the few of them happen to agree.

    Raises
    ------
    InputError
        There are fewer than two tables.
    """
    if len(members) < 2:
        raise InputError(
            f"{len(members)} tables for a mean camera; two are needed to tell how far cameras differ"
        )
    tables = [balanced(table) if table.scale == "by colour" else table for table in map(_table, members)]
    low, high = (pick(table.range_nm[end] for table in tables) for end, pick in ((0, max), (1, min)))
    wave = np.arange(low, high + 0.5, 1.0)
    curves = np.array([table.at(wave) for table in tables])
    factor = 1.0 / (curves[:, 1] @ weights(wave))
    curves *= factor[:, None, None]
    mean, count = curves.mean(axis=0), len(tables)
    between = (curves - mean) * np.sqrt((1.0 + 1.0 / count) / (count - 1))
    own = [table.modes_at(wave) * k / np.sqrt(count) for table, k in zip(tables, factor, strict=True)]
    top = mean.max()
    modes = np.concatenate([between, *own]) / top
    what = f"mean of {', '.join(members)}, with the spread between them"
    notes = ("only one of the cameras in it has a window that cuts infrared: red at Hα is known badly",)
    found = Response(GENERIC, wave, mean / top, "relative", what, modes, notes)
    return with_error(found, TABLE_ERROR, "assumed of its tables, beside their spread")
