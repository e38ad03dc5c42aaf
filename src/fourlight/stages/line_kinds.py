"""Which kinds of light a set of channels can tell apart, and what becomes of the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.leakage import inflation, systematic
from fourlight.core.spectra import LINES_NM
from fourlight.errors import InputError
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import UNKNOWN_DUST, Mixing, Ratios, mixing_matrix

__all__ = [
    "EXTENSION",
    "KIND_NAMES",
    "LINES",
    "SAMPLES",
    "LightSet",
    "Telling",
    "choose_kinds",
    "dust_change",
    "mean_sample",
    "passed_lines",
    "seats_of",
    "units_of",
]

Float64 = npt.NDArray[np.float64]

SAMPLES = np.array([0.25, 0.5, 0.25])
"""Share of these in the samples of a mosaic."""

LINES = ("halpha", "oiii", "sii", "hbeta")
"""Lines in the order in which they are asked for."""
CONTINUA = ("continuum", "tilt")
KIND_NAMES = {
    "halpha": "Hα", "oiii": "[OIII]", "sii": "[SII]", "hbeta": "Hβ", "continuum": "continuum",
    "tilt": "colour of the continuum",
}  # fmt: skip
EXTENSION = {"halpha": "HALPHA", "oiii": "OIII", "sii": "SII", "hbeta": "HBETA", "continuum": "CONT"}
"""Names in files; what is not here is solved for and not told."""

PASSED = 0.02
"""Part of a line that a filter must pass for it to be asked for."""
SEATED = 0.05
"""Part of what the set sees that sees most of a kind of light, from which a set counts as seeing it."""
MOST_INFLATION = 10.0
"""Variance of a kind of light over what it would be if the others were known, from which it is not told."""
MOST_LEAK = 0.5
"""Part of another kind of light, by what is not known of the matrix, from which it is not told."""


@dataclass(frozen=True, slots=True, eq=False)
class LightSet:
    """The channels of one stack behind one filter."""

    path: LightPath
    variance: Float64
    """(c,) usual variance of a pixel of each of `COLOURS`."""
    scale: float = 1.0
    """What of a photon that comes to the first stack comes to this one: exposure, air and optics together."""
    scale_error: float = 0.0
    """One standard deviation, as a part of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Telling:
    """What is solved for, and with which matrix."""

    columns: tuple[str, ...]
    """Kinds of light that are solved for; those of `EXTENSION` are told."""
    matrix: Float64
    """(c, k) electrons of the channels of all sets per photon."""
    modes: Float64
    """(m, c, k)"""
    units: Float64
    """(k,) electrons of a mean sample of the mosaic per photon, see `seats_of`: the unit in which light is told."""
    variance: Float64
    """(c,) usual variance of a pixel of each channel."""
    reasons: tuple[tuple[str, str], ...] = ()
    """Kinds of light that are not told, and why."""
    notes: tuple[str, ...] = ()
    scale: str = "relative"
    """Of the camera's curves."""
    taken: dict[str, str] = field(default_factory=dict)
    """Lines that are in the light and not told, and as what they count."""

    @property
    def inflation(self) -> Float64:
        """(k,) variance over what it would be if the other kinds of light were known."""
        return inflation(self.matrix, self.variance)

    @property
    def lines(self) -> tuple[str, ...]:
        """Kinds of light that are told."""
        return tuple(name for name in self.columns if name in EXTENSION)

    @property
    def seats(self) -> npt.NDArray[np.int64]:
        """(k,) number of the set whose mean sample is the unit of each kind of light."""
        return seats_of(self.matrix)

    def learned(self, matrix: Float64, modes: Float64) -> Telling:
        """The same with another matrix."""
        return replace(self, matrix=matrix, modes=modes, units=units_of(matrix, self.columns))


def seats_of(matrix: Float64) -> npt.NDArray[np.int64]:
    """(k,) number of the first set whose filter passes each column: its mean sample is the unit."""
    seen = np.abs(np.einsum("c,sck->sk", SAMPLES, _by_set(matrix)))
    return np.asarray(np.argmax(seen >= SEATED * seen.max(axis=0), axis=0))


def mean_sample(part: Float64, seats: npt.NDArray[np.int64]) -> Float64:
    """(..., k) what a mean sample of the mosaic of its set counts of each column, of a matrix or modes (..., c, k)."""
    by_set = np.einsum("c,...sck->...sk", SAMPLES, _by_set(part))
    return np.asarray(by_set[..., seats, np.arange(len(seats))])


def _by_set(part: Float64) -> Float64:
    """(..., sets, 3, k) from (..., channels, k)."""
    return part.reshape(*part.shape[:-2], -1, len(COLOURS), part.shape[-1])


def units_of(matrix: Float64, columns: Sequence[str]) -> Float64:
    """(k,) electrons of a mean sample per unit of each column, see `seats_of`; 1 for what is not told."""
    told = np.array([name in EXTENSION for name in columns])
    return np.asarray(np.where(told, mean_sample(matrix, seats_of(matrix)), 1.0))


def passed_lines(path: LightPath) -> tuple[str, ...]:
    """Lines that a filter passes.

    Raises
    ------
    InputError
        It passes none.
    """
    found = tuple(name for name in LINES if float(path.filter.at(LINES_NM[name], path.beam)) > PASSED)
    if not found:
        raise InputError(
            f"filter {path.filter.name}: passes none of Hα (656.3 nm), [OIII] (500.7), [SII] (671.6) and Hβ "
            "(486.1); name the filter that was in front of the sensor"
        )
    return found


def choose_kinds(sets: Sequence[LightSet], ratios: Ratios | None = None) -> Telling:
    """As many kinds of light as the channels can tell apart.

    Parameters
    ----------
    sets : sequence of LightSet
        The first holds the lines; others, on the same grid, add what it cannot tell.
    ratios : Ratios, optional

    Raises
    ------
    InputError
        A filter passes no line, or a curve does not reach one.
    """
    ratios, passed = ratios or Ratios(), set(passed_lines(sets[0].path))
    for each in sets[1:]:
        passed |= set(passed_lines(each.path)) if each.path.filter.narrow else set()
    wanted = [*(name for name in LINES if name in passed), *CONTINUA]
    variance = np.concatenate([each.variance for each in sets])
    kept: list[str] = []
    reasons: list[tuple[str, str]] = []
    for name in wanted:
        if name == "tilt" and "continuum" not in kept:
            continue
        found = _together(sets, (*kept, name), ratios)
        reason = _refusal(found, (*kept, name), variance)
        hidden = [KIND_NAMES[line] for line, _ in reasons if line in LINES]
        if not reason and name == "continuum" and len(sets) == 1 and hidden:
            reason = f"it could not be told from light of {' and '.join(hidden)}, which is not told either"
        if reason:
            reasons.append((name, reason))
        else:
            kept.append(name)
    found = _together(sets, tuple(kept), ratios)
    return Telling(
        tuple(kept), found.values, found.modes, units_of(found.values, kept), variance,
        tuple((name, why) for name, why in reasons if name in EXTENSION), found.notes, found.scale,
        {name: _nearest(sets[0], name, kept, ratios) for name, _ in reasons if name in LINES},
    )  # fmt: skip


def _refusal(found: Mixing, columns: tuple[str, ...], variance: Float64) -> str:
    """Why the last of some kinds of light cannot be told beside the others; empty where it can."""
    grown = inflation(found.values, variance)
    worst = int(np.argmax(grown))
    if not grown[worst] <= MOST_INFLATION:
        name = KIND_NAMES[columns[worst]]
        if not np.isfinite(grown[worst]):
            return f"red, green and blue could not tell {name} from the rest"
        return (
            f"with it, the noise of {name} would be {max(float(grown[worst]) ** 0.5, 1):,.0f} times as large"
        )
    if len(columns) == 1:
        return ""
    leak = systematic(found.values, variance, found.modes)
    leak[np.diag_indices(len(columns))] = 0.0
    if columns[-1] in CONTINUA:  # a photon of continuum in each nanometre is no measure for lines
        return ""
    i, j = np.unravel_index(int(np.argmax(leak)), leak.shape)
    if leak[i, j] > MOST_LEAK:
        return (
            f"what is not known of the camera would put {100 * leak[i, j]:.0f} % of {KIND_NAMES[columns[j]]} into "
            f"{KIND_NAMES[columns[i]]}"
        )
    return ""


def _nearest(one: LightSet, name: str, kept: Sequence[str], ratios: Ratios) -> str:
    """The kind of light that is most like one that cannot be told, in the channels of the first set."""

    def direction(each: str) -> Float64:
        seen = mixing_matrix(one.path, (each,), ratios, COLOURS).values[:, 0] / np.sqrt(one.variance)
        return np.asarray(seen / max(float(np.linalg.norm(seen)), 1e-300))

    if name == "hbeta" and "halpha" in kept:
        return "halpha"  # by the ratio of recombination, see the matrix
    lines = [each for each in kept if each in LINES]
    return max(lines, key=lambda each: float(direction(each) @ direction(name)))


def _together(sets: Sequence[LightSet], columns: tuple[str, ...], ratios: Ratios) -> Mixing:
    """One matrix of the channels of all sets, whose modes are those of the one camera and of ratios."""
    each = [mixing_matrix(one.path, columns, ratios, COLOURS) for one in sets]
    values = np.concatenate([one.scale * mixing.values for one, mixing in zip(sets, each, strict=True)])
    modes = np.concatenate([one.scale * mixing.modes for one, mixing in zip(sets, each, strict=True)], axis=1)
    return replace(
        each[0], channels=COLOURS * len(sets), values=values,
        modes=np.concatenate([modes, _scale_modes(sets, values)]),
    )  # fmt: skip


def dust_change(sets: Sequence[LightSet], columns: tuple[str, ...], ratios: Ratios) -> Float64 | None:
    """By how much the matrix (c, k) changes if dust of E(B-V) `UNKNOWN_DUST` is before the nebula, where none is named.

    None where E(B-V) is named, or Hβ stands for itself.
    """
    if ratios.reddening_mag is not None or "hbeta" in columns or "halpha" not in columns:
        return None
    behind = _together(sets, columns, replace(ratios, reddening_mag=UNKNOWN_DUST)).values
    return np.asarray(behind - _together(sets, columns, ratios).values)


def _scale_modes(sets: Sequence[LightSet], values: Float64) -> Float64:
    """(m, c, k) how the scale of each further set may be off."""
    modes = np.zeros((len(sets) - 1, *values.shape))
    for n, one in enumerate(sets[1:]):
        rows = slice((n + 1) * len(COLOURS), (n + 2) * len(COLOURS))
        modes[n, rows] = one.scale_error * values[rows]
    return modes
