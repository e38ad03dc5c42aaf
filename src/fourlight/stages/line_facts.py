"""What is told of lines in numbers: leaks, who brought what, what green is worth, other recipes beside ours."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import leakage
from fourlight.core.cfa import COLOURS
from fourlight.core.unmix import gain_of
from fourlight.sensor.mixing import UNKNOWN_DUST
from fourlight.stages.line_kinds import Telling, mean_sample

__all__ = [
    "FixedMixture",
    "correlation",
    "dust_facts",
    "leak_facts",
    "noise_of_kinds",
    "photon_error",
    "recipe_facts",
    "recipes",
    "share_facts",
    "sky_errors",
]

Float64 = npt.NDArray[np.float64]

DRAWS, SEED = 400, 20
"""Matrices that are drawn for intervals; the ends of 95 % are known to a tenth of the width."""
RED, TEAL = ("halpha", "sii"), ("oiii", "hbeta")
"""Lines that recipes take from red, and from green and blue."""
FELT = 0.01
"""Part of a line from which on it is told what dust does to it."""
LEVELS = 255
"""Steps of 8 bits."""


def leak_facts(telling: Telling, variance: Float64) -> dict[str, dict[str, float]]:
    """What the uncertainty of the matrix puts from one line into another, one standard deviation.

    Parameters
    ----------
    telling : Telling
    variance : (c,) float64
        Of the channels of all sets, where lines are looked at.

    Returns
    -------
    dict
        By the line as which it is told, and what it is: photons of the one for each photon of the other. What a line
        has with itself is the part by which its electrons may be off.
    """
    return _by_lines(telling, np.sqrt((_moved(telling, variance, telling.modes) ** 2).sum(axis=0)))


def dust_facts(telling: Telling, variance: Float64, change: Float64 | None) -> dict[str, Any] | None:
    """What dust that nobody named would do, with its sign; None where it would do less than `FELT` to every line.

    Parameters
    ----------
    telling : Telling
    variance : (c,) float64
    change : (c, k) float64 or None
        Of the matrix, see `fourlight.stages.line_kinds.dust_change`.

    Returns
    -------
    dict or None
        ``reddening_mag``, and ``leak`` of Hα by the line as which it is told, see `leak_facts`.
    """
    if change is None:
        return None
    moved = _by_lines(telling, _moved(telling, variance, change[None])[0])
    leak = {to: row["halpha"] for to, row in moved.items() if to != "continuum"}
    if max(abs(part) for part in leak.values()) < FELT:
        return None
    return {"reddening_mag": UNKNOWN_DUST, "leak": leak}


def _moved(telling: Telling, variance: Float64, modes: Float64) -> Float64:
    """(m, k, k) what changes (m, c, k) of the matrix put from one line, by column, into another, by row."""
    moved = np.einsum("kc,mcj->mkj", gain_of(telling.matrix, variance), modes)
    # The electrons of a line change with its column: what is told must be compared with those.
    own = mean_sample(modes, telling.seats) / telling.units
    index = np.arange(len(telling.units))
    moved[:, index, index] -= own
    return np.asarray(moved)


def _by_lines(telling: Telling, table: Float64) -> dict[str, dict[str, float]]:
    """A table (k, k) as a mapping of the kinds that are told."""
    place = {name: k for k, name in enumerate(telling.columns)}
    return {to: {of: float(table[place[to], place[of]]) for of in telling.lines} for to in telling.lines}


def noise_of_kinds(telling: Telling, variance: Float64) -> dict[str, float]:
    """Standard deviation of one pixel of each kind of light that is told, in its electrons."""
    gain = gain_of(telling.matrix / telling.units, variance)
    sigma = np.sqrt((gain**2 * variance).sum(axis=1))
    return {name: float(sigma[telling.columns.index(name)]) for name in telling.lines}


def share_facts(telling: Telling, variance: Float64) -> dict[str, Any]:
    """Who tells of which line and what is left without green, with intervals (95 %) for what is unknown of the camera.

    Returns
    -------
    dict
        ``information``: by line and channel of the first set that sees it, that channel's share in what is known of
        the line,
        other kinds of light known. ``without_green``: by line, signal over noise without green over that with it, all
        kinds of light unknown.
    """
    count = len(COLOURS)
    draws = leakage.drawn(telling.matrix, telling.modes, DRAWS, SEED)
    green = np.array([name == "G" for name in COLOURS * (len(variance) // count)])
    rows = [slice(count * seat, count * (seat + 1)) for seat in telling.seats]

    def shares(matrix: Float64) -> Float64:
        each = [leakage.information(matrix[part], variance[part])[k] for k, part in enumerate(rows)]
        return np.array(each)

    def left(matrix: Float64) -> Float64:
        return leakage.left_without(matrix, variance, green)

    known = _ranged(shares, telling.matrix, draws)
    rest = _ranged(left, telling.matrix, draws)
    lines = [(name, telling.columns.index(name)) for name in telling.lines]
    return {
        "information": {
            name: {channel: known[k, c] for c, channel in enumerate(COLOURS)} for name, k in lines
        },
        "without_green": {name: rest[k] for name, k in lines},
    }


def _ranged(work: Callable[[Float64], Float64], matrix: Float64, draws: Float64) -> npt.NDArray[Any]:
    """A function of the matrix as ``{value, low, high}``, in an array of its shape; an end may lie at infinity."""
    value = work(matrix)
    with np.errstate(invalid="ignore"):  # between infinite values
        low, high = np.quantile([work(one) for one in draws], [0.025, 0.975], axis=0)
    out = np.empty(value.shape, dtype=object)
    for place in np.ndindex(value.shape):
        out[place] = {"value": float(value[place]), "low": float(low[place]), "high": float(high[place])}
    return out


@dataclass(frozen=True, slots=True, eq=False)
class FixedMixture:
    """A way to make lines from channels."""

    name: str
    shares: Float64
    """(lines, c) what is taken of each channel, for each of the lines that it makes."""
    lines: tuple[str, ...]
    added: Float64
    """(c,) variance that it adds to the channels."""


def recipes(telling: Telling, variance: Float64, range_e: float) -> list[FixedMixture]:
    """Ways that are common, for lines of the first set.

    Parameters
    ----------
    telling : Telling
    variance : (c,) float64
    range_e : float
        Electrons from the darkest to the brightest level of a stack that is brought to 8 bits.
    """
    first = [name for name, seat in zip(telling.columns, telling.seats, strict=True) if seat == 0]
    lines = tuple(name for name in telling.lines if name in first and (name in RED or name in TEAL))
    count = len(variance)
    none = np.zeros(count)

    def taken(red: tuple[float, ...], teal: tuple[float, ...]) -> Float64:
        shares = np.zeros((len(lines), count))
        shares[:, : len(COLOURS)] = [red if name in RED else teal for name in lines]
        return shares

    own = gain_of(telling.matrix, variance)[[telling.columns.index(name) for name in lines]]
    steps = np.full(count, (range_e / LEVELS) ** 2 / 12)
    found = [
        FixedMixture("red as it is, mean of green and blue", taken((1, 0, 0), (0, 0.5, 0.5)), lines, none),
        FixedMixture("red as it is, blue alone", taken((1, 0, 0), (0, 0, 1)), lines, none),
        FixedMixture("as here, from a stack of 8 bits", own, lines, steps),
    ]
    return found if lines else []


def recipe_facts(telling: Telling, variance: Float64, range_e: float) -> list[dict[str, Any]]:
    """Leak and noise of other recipes beside ours.

    Returns
    -------
    list of dict
        ``leak`` by the line as which light is told and what it is, photons for each (``value``, ``low``, ``high``);
        ``noise``: by line, over that of ours for as much signal.
    """
    ours = noise_of_kinds(telling, variance)
    draws = leakage.drawn(telling.matrix, telling.modes, DRAWS, SEED)
    out = []
    for recipe in recipes(telling, variance, range_e):
        places = [telling.columns.index(name) for name in recipe.lines]
        units = telling.units[places]

        def leaks(matrix: Float64, recipe: FixedMixture = recipe, places: list[int] = places) -> Float64:
            return leakage.mixed_up(recipe.shares, matrix[:, places])

        leak = _ranged(leaks, telling.matrix, draws)
        noise = units * leakage.recipe_noise(
            recipe.shares, telling.matrix[:, places], variance + recipe.added
        )
        out.append(
            {
                "name": recipe.name,
                "leak": {
                    to: {of: leak[i, j] for j, of in enumerate(recipe.lines) if i != j}
                    for i, to in enumerate(recipe.lines)
                },
                "noise": {name: float(noise[k]) / ours[name] for k, name in enumerate(recipe.lines)},
            }
        )
    return out


def sky_errors(telling: Telling, variance: Float64, sky_error: Float64) -> dict[str, float]:
    """Standard error of the level of each kind of light that those of the skies (c,) leave, in its electrons."""
    gain = gain_of(telling.matrix / telling.units, variance)
    found = np.sqrt((gain**2 * sky_error**2).sum(axis=1))
    return {name: float(found[telling.columns.index(name)]) for name in telling.lines}


def correlation(telling: Telling, name: str, planes: Mapping[str, float] | None) -> float | None:
    """Scatter of single pixels of a kind of light over sqrt(VAR); None where that of the planes is not known."""
    if not planes or len(telling.matrix) != len(COLOURS):
        return None
    known = np.array([planes.get(channel) or np.nan for channel in COLOURS])
    gain = gain_of(telling.matrix, np.ones(len(COLOURS)))[telling.columns.index(name)]
    found = float(np.sqrt((gain**2 * known**2).sum() / (gain**2).sum()))
    return found if np.isfinite(found) else None


def photon_error(telling: Telling, variance: Float64, name: str) -> float:
    """Part by which the photons of a line itself may be off, what is not known of lines that go with it counted."""
    k = telling.columns.index(name)
    return float(leakage.systematic(telling.matrix, variance, telling.modes)[k, k])
