"""A user's own curves: a camera or a filter from a table as text. What could be read in two ways is refused."""

from __future__ import annotations

from pathlib import PurePath

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import spans
from fourlight.errors import InputError
from fourlight.sensor.curve_columns import (
    camera_columns,
    colours_named,
    filter_columns,
    mono_columns,
    says_percent,
    says_relative,
    unit_named,
)
from fourlight.sensor.curve_table import CurveTable, read_table
from fourlight.sensor.filters import DARK, INDEX, Filter
from fourlight.sensor.open_ends import with_open_ends
from fourlight.sensor.response import MONO, Response, Scale, own_scales, with_error
from fourlight.sensor.sensors import TABLE_ERROR, balanced

__all__ = ["camera_from_text", "filter_from_text", "mono_from_text", "names_colours"]

FloatArray = npt.NDArray[np.float64]

FEWEST = 8
"""Rows of a curve."""
WIDEST_NM = 10.0
"""Step between rows. Straight lines over it miss at most 3 % of a colour's highest value at a line, 0.4 % of its sum;
over 20 nm 8 and 4 % (of the tables that come along, thinned)."""
LEAST_IN_BAND = 3
"""Rows above half of the highest value in each band of a filter, from which its edges are known."""
UNITS = ((1.0, "nm", 200.0, 2000.0), (0.1, "angstrom", 2000.0, 20000.0), (1000.0, "micrometres", 0.2, 2.0))
"""Length in nm, name, and between which values all wavelengths lie that could be meant."""
SEEN_NM = (400.0, 700.0)
FULL = 1.005
"""Up to where a highest value is 1 rounded."""
BEST = 0.95
"""Quantum efficiency that sensors behind colour filters stay below; where a value is higher, curves are relative."""
TOP_BARE = 0.985
"""The same of sensors without them."""


def camera_from_text(text: str, source: str, error: float | None = None) -> Response:
    """Response of a camera from a table with a column of wavelengths and one of each colour.

    Parameters
    ----------
    text : str
        See `read_table`.
    source : str
        Name of the file.
    error : float, optional
        One standard deviation of each value, as a part of it; assumed to be `TABLE_ERROR` unless given.

    Raises
    ------
    InputError
        It can be read in no way, or in two.

    Examples
    --------
    >>> rows = [f"{w};0,1;{0.9 - abs(w - 540) / 200:g}".replace(".", ",") + ";0,2" for w in range(400, 701, 10)]
    >>> camera = camera_from_text("\\n".join(["nm;red;green;blue", *rows]), "mine.csv")
    >>> camera.scale, camera.at(np.array([540.0]))[:, 0].tolist()
    ('absolute', [0.1, 0.9, 0.2])
    """
    table = read_table(text, source)
    columns = camera_columns(table.names, source)
    channels = tuple(name for name in columns if name != "wave")
    picked = [columns[name] for name in channels]
    wave, unit = _wavelengths(table, columns["wave"])
    curves, percent = _shares(table, picked)
    scale = _scale(curves, says_relative([table.names[k] for k in picked]))
    unit_of_curves = 1.0 if scale == "absolute" else curves.max()
    units = f"read as {unit}, {'per cent' if percent else 'fractions'}, {_SCALE[scale]}"
    found = Response(
        PurePath(source).stem, wave, curves / unit_of_curves, scale, source, notes=(units, *_unused(table, columns)),
        channels=channels,
    )  # fmt: skip
    if scale == "by colour":
        found = balanced(found)
    share = TABLE_ERROR if error is None else error
    return with_open_ends(with_error(found, share, "assumed" if error is None else "as given"))


def mono_from_text(text: str, source: str) -> Response:
    """Response of a sensor without dyes from a table of wavelengths and of its efficiency; see `camera_from_text`."""
    table = read_table(text, source)
    columns = mono_columns(table.names, source)
    wave, unit = _wavelengths(table, columns["wave"])
    curves, percent = _shares(table, [columns["E"]])
    relative = says_relative([table.names[columns["E"]]]) or curves.max() > TOP_BARE
    scale: Scale = "relative" if relative else "absolute"
    top = curves.max() if relative else 1.0
    what = _SCALE[scale] if relative else f"quantum efficiency (no value is above {TOP_BARE:g})"
    units = f"read as {unit}, {'per cent' if percent else 'fractions'}, {what}"
    found = Response(
        PurePath(source).stem, wave, curves / top, scale, source,
        notes=(units, *_unused(table, columns)), channels=MONO,
    )  # fmt: skip
    return with_open_ends(with_error(found, TABLE_ERROR, "assumed"))


def names_colours(text: str, source: str) -> bool:
    """Whether a table is of a sensor with colours: one of its columns is called by one, and none an efficiency.

    >>> names_colours("nm,qe\\n400,0.5", "x.csv"), names_colours("nm,red,green\\n400,0.5,0.5", "x.csv")
    (False, True)
    """
    return colours_named(read_table(text, source).names, source)


def _scale(curves: FloatArray, said_relative: bool) -> Scale:
    if own_scales(curves):
        return "by colour"
    return "relative" if said_relative or curves.max() > BEST else "absolute"


_SCALE = {
    "absolute": f"quantum efficiency (no value is above {BEST:g})",
    "relative": "relative (the highest value counts as 1)",
    "by colour": "relative, each colour in units of its own highest value",
}


def filter_from_text(text: str, source: str, index: float = INDEX) -> Filter:
    """A filter from a table with a column of wavelengths and one of the transmission; see `camera_from_text`."""
    table = read_table(text, source)
    columns = filter_columns(table.names, source)
    wave, unit = _wavelengths(table, columns["wave"])
    curves, percent = _shares(table, [columns["T"]])
    passed = np.minimum(curves[0], 1.0)
    for low, high in spans(wave, passed):
        rows = int(((wave >= low) & (wave <= high)).sum())
        if rows < LEAST_IN_BAND:
            raise InputError(
                f"{source}: its band from {low:.1f} to {high:.1f} nm has {rows} rows above half of its highest value; "
                f"needed are at least {LEAST_IN_BAND}; give the curve in finer steps"
            )
    notes = [f"read as {unit}, {'per cent' if percent else 'fractions'}", *_unused(table, columns)]
    open_ends = [f"{wave[k]:g} nm" for k in (0, -1) if passed[k] > DARK * passed.max()]
    if open_ends:
        notes.append(f"still passes light at its end, {' and '.join(open_ends)}; counted as dark beyond")
    return Filter(PurePath(source).stem, (), (wave, passed), source, index, tuple(notes))


def _wavelengths(table: CurveTable, column: int) -> tuple[FloatArray, str]:
    """Wavelengths in nm, and the name of their unit."""
    values, source = table.values[:, column], table.source
    if len(values) < FEWEST:
        raise InputError(f"{source}: {len(values)} rows are found, at least {FEWEST} are needed for a curve")
    down = np.flatnonzero(np.diff(values) <= 0)
    if down.size:
        k = int(down[0])
        raise InputError(
            f"{source}: line {table.lines[k + 1]} holds {values[k + 1]:g} after {values[k]:g}; wavelengths must grow "
            "from row to row, each once; sort the rows"
        )
    length, unit = _unit(values, table.names[column], source)
    wave = np.asarray(values * length)
    step = np.diff(wave)
    if step.max() > WIDEST_NM * (1 + 1e-9):
        k = int(step.argmax())
        raise InputError(
            f"{source}: from line {table.lines[k]} to {table.lines[k + 1]} the wavelength leaps by {step[k]:g} nm; "
            f"steps of at most {WIDEST_NM:g} nm are needed; give the curve in finer steps"
        )
    if wave[-1] < SEEN_NM[0] or wave[0] > SEEN_NM[1]:
        raise InputError(
            f"{source}: runs from {wave[0]:g} to {wave[-1]:g} nm; some of {SEEN_NM[0]:g} to {SEEN_NM[1]:g} nm is needed"
        )
    return wave, unit


def _unit(values: FloatArray, name: str, source: str) -> tuple[float, str]:
    """Length in nm and name of the unit that fits wavelengths, and what their column is called."""
    fits = [(length, unit) for length, unit, low, high in UNITS if low <= values[0] and values[-1] <= high]
    stated = unit_named(name)
    runs = f"{source}: wavelengths run from {values[0]:g} to {values[-1]:g}"
    if not fits:
        raise InputError(
            f"{runs}; that fits neither nm nor angstrom nor micrometres of visible light; look at {name!r}"
        )
    if stated is not None and stated != fits[0][0]:
        raise InputError(
            f"{runs}, which are {fits[0][1]}, but their column is called {name!r}; mend its name"
        )
    return fits[0]


def _shares(table: CurveTable, columns: list[int]) -> tuple[FloatArray, bool]:
    """Values (columns, rows) as shares of one, and whether they were per cent."""
    values, source = table.values[:, columns].T, table.source
    if values.min() < 0:
        k = int(np.flatnonzero((values < 0).any(axis=0))[0])
        raise InputError(
            f"{source}: line {table.lines[k]} holds {values[:, k].min():g}; values below 0 are none of a curve; "
            "set noise around zero to 0"
        )
    of_each = [table.percent[k] or says_percent([table.names[k]]) for k in columns]
    top, stated = float(values.max()), any(of_each)
    if top == 0:
        raise InputError(f"{source}: all values are 0; needed is a curve")
    if stated and top <= FULL:
        raise InputError(
            f"{source}: per cent is stated, but the highest value is {top:g}; mend names or values"
        )
    if top <= FULL:
        return values, False
    if top <= 1.5 and not stated:
        raise InputError(
            f"{source}: the highest value is {top:g}, too much for a fraction and little for per cent; "
            "scale it to at most 1, or write percent into the names of the columns"
        )
    if top > 100.0 * FULL:
        raise InputError(
            f"{source}: the highest value is {top:g}; needed are fractions up to 1 or per cent up to 100"
        )
    _of_one_scale(table, columns, values.max(axis=1), of_each)
    return values / 100.0, True


def _of_one_scale(table: CurveTable, columns: list[int], tops: FloatArray, stated: list[bool]) -> None:
    """Refuse columns that may be fractions beside others that are per cent; a column of zeros is zero in both."""
    small = [k for k, top in enumerate(tops) if 0 < top <= FULL and not stated[k]]
    if small:
        name, high = table.names[columns[small[0]]], table.names[columns[int(tops.argmax())]]
        raise InputError(
            f"{table.source}: column {high!r} goes up to {tops.max():g}, {name!r} to {tops[small[0]]:g}, which may be "
            "per cent or a fraction; give all columns in one unit, or write percent into the names of all"
        )


def _unused(table: CurveTable, columns: dict[str, int]) -> list[str]:
    """A note on columns that were left out, where there are any."""
    left = [name for k, name in enumerate(table.names) if k not in columns.values()]
    return [f"columns not used: {', '.join(left)}"] if left else []
