"""Tables of curves as text: columns by commas, semicolons, tabs or blanks; names, comments and either decimal sign."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError

__all__ = ["CurveTable", "read_table"]

FloatArray = npt.NDArray[np.float64]

COMMENTS = ("#", "%", "//", "!")
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.IGNORECASE | re.ASCII)
NOTHING = ("", "nan", "na", "n/a", "inf", "-inf", "+inf", "null", "none", "-")
"""Words for a value that is missing."""
SHOWN = 40
"""Letters of what was found that are repeated."""


@dataclass(frozen=True, slots=True, eq=False)
class CurveTable:
    """Numbers under names."""

    source: str
    names: tuple[str, ...]
    values: FloatArray
    """(rows, columns)"""
    lines: tuple[int, ...]
    """Line of the text in which each row stands, from 1."""
    percent: tuple[bool, ...]
    """Of each column, whether a value has a sign of per cent behind it."""


def read_table(text: str, source: str) -> CurveTable:
    """Numbers of a table.

    Parameters
    ----------
    text : str
        Lines that begin with #, %, // or ! are comments; the first other line names the columns, or the last comment
        before the numbers does.
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        No names, a row of another length, what is no number, or two decimal signs.

    Examples
    --------
    >>> table = read_table("# made up\\nnm;t\\n500;0,5\\n501;0,6", "x.csv")
    >>> table.names, table.values.tolist()
    (('nm', 't'), [[500.0, 0.5], [501.0, 0.6]])
    """
    lines = [(k, line.strip(" ")) for k, line in enumerate(text.lstrip("\ufeff").splitlines(), 1)]
    rows = [(k, line) for k, line in lines if line.strip() and not line.lstrip().startswith(COMMENTS)]
    if not rows:
        raise InputError(f"{source}: no row of numbers is found; needed is a line of names and rows under it")
    sign = _between(rows[0][1])
    names = _cells(rows[0][1], sign)
    if all(_is_value(cell) for cell in names):
        names = _names_in_comment([line for k, line in lines if k < rows[0][0]], sign, len(names))
        if not names:
            raise InputError(
                f"{source}: line {rows[0][0]} holds numbers and nothing above names the columns; "
                "begin with a line such as wavelength_nm,red,green,blue (or wavelength_nm,transmission)"
            )
    else:
        rows = rows[1:]
    cells = [(k, _row(line, sign, names, f"{source}: line {k}")) for k, line in rows]
    comma = _decimal_comma(cells, source)
    values = [[_number(cell, comma, f"{source}: line {k}") for cell in row] for k, row in cells]
    percent = tuple(any(row[k].endswith("%") for _, row in cells) for k in range(len(names)))
    array = np.array(values, dtype=np.float64).reshape(len(values), len(names))
    return CurveTable(source, tuple(names), array, tuple(k for k, _ in cells), percent)


def _between(line: str) -> str:
    """What stands between the columns of a line; a blank where nothing else does."""
    return next((sign for sign in "\t;," if sign in line), " ")


def _cells(line: str, sign: str) -> list[str]:
    if sign == " ":
        return line.split()
    try:
        (cells,) = csv.reader([line], delimiter=sign, skipinitialspace=True)
    except csv.Error:  # a cell of more than a hundred thousand letters
        return [line]
    row = [cell.strip() for cell in cells]
    while len(row) > 1 and not row[-1]:
        row.pop()
    return row


def _is_value(cell: str) -> bool:
    return bool(NUMBER.fullmatch(cell.rstrip("% "))) or cell.casefold() in NOTHING


def _names_in_comment(before: list[str], sign: str, count: int) -> list[str]:
    """Names of so many columns in the last comment before the numbers; empty where it holds none."""
    comments = [line.lstrip("".join(COMMENTS) + " ") for line in before if line.strip()]
    names = _cells(comments[-1], sign) if comments and comments[-1] else []
    return names if len(names) == count and not any(_is_value(name) for name in names) else []


def _row(line: str, sign: str, names: list[str], where: str) -> list[str]:
    cells = _cells(line, sign)
    # Cells at the end that are left out are missing values, which are told as such.
    cells += [""] * (len(names) - len(cells) if line.rstrip(" ").endswith(sign) else 0)
    if len(cells) != len(names):
        advice = (
            "where decimals have a comma, separate columns by semicolons" if sign == "," else "mend the row"
        )
        raise InputError(f"{where} holds {len(cells)} values, {len(names)} columns are named; {advice}")
    return cells


def _decimal_comma(cells: list[tuple[int, list[str]]], source: str) -> bool:
    """Whether decimals have a comma; refused where some have a comma and some a point."""
    commas = [(k, cell) for k, row in cells for cell in row if "," in cell and _is_value(cell)]
    points = [(k, cell) for k, row in cells for cell in row if "." in cell and _is_value(cell)]
    if commas and points:
        raise InputError(
            f"{source}: line {commas[0][0]} holds {commas[0][1]}, line {points[0][0]} holds {points[0][1]}; "
            "needed is one decimal sign throughout, a point or a comma"
        )
    return bool(commas)


def _number(cell: str, comma: bool, where: str) -> float:
    plain = cell.rstrip("% ")
    if NUMBER.fullmatch(plain):
        return float(plain.replace(",", ".") if comma else plain)
    shown = cell if len(cell) <= SHOWN else f"{cell[:SHOWN]}..."
    found = f"{shown!r}" if cell else "nothing"
    raise InputError(f"{where}: {found} stands where a number is needed; write one, or take the row out")
