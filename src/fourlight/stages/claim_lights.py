"""Which lights a side of a claim means, and their values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.stages.claim_terms import NIGHT, QUANTITIES
from fourlight.stages.series import Series, least_first, tenth
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["Untold", "covariate", "group", "interleaved", "lights_of", "nights_apart", "patches_of"]

Float64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MOONLIT = 0.2
"""Lit share of the Moon's disk from which on a light with the Moon above the horizon counts as moonlit."""
MOONLESS = 0.02
"""Lit share below which it counts as dark wherever the Moon stands; between the two it counts as neither."""
WARMER_C = 3.0
"""Range of temperatures below which lights are not told apart as warm and cold: dark current grows by two fifths."""


class Untold(Exception):  # noqa: N818  no fault: a claim that cannot be tested, caught where claims are judged
    """Why a claim cannot be tested, as the rest of a sentence."""


def group(series: Series, name: str) -> Mask:
    """(n,) which lights belong to a group.

    Parameters
    ----------
    series : Series
    name : str
        One of `fourlight.stages.claim_terms.GROUPS` but 'each night' and 'other nights', or a night.

    Raises
    ------
    Untold
        What tells the group is not known, or does not tell it.
    """
    if not len(series):
        raise Untold("there are no lights")
    if name == "all lights":
        return np.ones(len(series), dtype=np.bool_)
    if found := NIGHT.fullmatch(name):
        return _night(series, found[1])
    if name in ("first night", "last night"):
        dated = [night for night in series.nights if night] or [""]
        return _night(series, dated[0 if name == "first night" else -1])
    if name.startswith("half "):
        return np.array([half == name[-1] for half in series.halves], dtype=np.bool_)
    choose = {"moonlit": _moon, "dark": _moon, "warm": _temperature, "cold": _temperature}.get(name, _quality)
    return choose(series, name)


def _night(series: Series, date: str) -> Mask:
    if not date:
        raise Untold("the night of no light is known")
    if date not in series.nights:
        raise Untold(f"no light is of night {date}")
    return np.array([night == date for night in series.nights], dtype=np.bool_)


def _moon(series: Series, name: str) -> Mask:
    lit, altitude = series.moon_lit, series.moon_altitude_deg
    with np.errstate(invalid="ignore"):
        above = altitude > 0
    if not (np.isfinite(lit) & np.isfinite(altitude)).any():
        raise Untold("where the Moon stood is not known: the lights tell no time or no place")
    moonlit = above & (lit >= MOONLIT)
    dark = (np.isfinite(altitude) & ~above) | (lit < MOONLESS)
    if not moonlit.any():
        raise Untold(
            "by their dates and place no light was taken with the Moon above the horizon and a fifth or more of it lit"
        )
    if not dark.any():
        raise Untold("every light was taken under the Moon")
    return moonlit if name == "moonlit" else dark


def _temperature(series: Series, name: str) -> Mask:
    known = series.temperature_c[np.isfinite(series.temperature_c)]
    if not known.size:
        raise Untold("the temperature of the sensor is not known")
    least, most = float(known.min()), float(known.max())
    if most - least < WARMER_C:
        was = f"at {least:.1f} C" if most - least < 0.1 else f"between {least:.1f} and {most:.1f} C"
        raise Untold(f"the sensor was {was}: {WARMER_C:g} C of difference are needed")
    middle = (least + most) / 2
    with np.errstate(invalid="ignore"):
        return series.temperature_c > middle if name == "warm" else series.temperature_c <= middle


def _quality(series: Series, name: str) -> Mask:
    """By what a light brings in R, G and B, each against its median."""
    known = series.values.get("weight", series.values.get("information"))
    if known is None:
        raise Untold("what single lights bring was not measured")
    order = least_first(known)
    if not order.size:
        raise Untold("what single lights bring was not measured")
    worst, half = tenth(order.size), order.size // 2
    found = np.zeros(len(series), dtype=np.bool_)
    found[{"best": order[half:], "worst": order[:worst]}.get(name, order[worst:])] = True
    return found


def lights_of(series: Series, quantity: str, planes: Sequence[str]) -> Float64:
    """(n,) values of a quantity of single lights, added over planes.

    Raises
    ------
    Untold
        It was not measured.
    """
    columns = [OUTPUT_PLANES.index(plane) for plane in planes]
    source = "information" if quantity == "information_per_hour" else quantity
    if source not in series.values or not np.isfinite(series.values[source][:, columns]).any():
        raise Untold(f"the {QUANTITIES[quantity].means} of single lights was not measured")
    found = series.values[source][:, columns].sum(axis=1)
    if quantity == "information_per_hour":
        with np.errstate(invalid="ignore", divide="ignore"):
            found = np.where(series.exposure_s > 0, found * 3600 / series.exposure_s, np.nan)
    return np.asarray(found, dtype=np.float64)


def covariate(series: Series, name: str, plane: str) -> Float64:
    """(n,) what else lights differ in: C, hours, degrees, seconds; logarithms of sky and transparency."""
    plain = {
        "temperature": series.temperature_c,
        "moon altitude": series.moon_altitude_deg,
        "exposure": series.exposure_s,
        "time": series.time_s / 3600,
    }
    if name not in plain:
        with np.errstate(invalid="ignore", divide="ignore"):
            logs = np.log(lights_of(series, name, [plane]))
        return np.where(np.isfinite(logs), logs, np.nan)
    if not np.isfinite(plain[name]).any():
        raise Untold(f"{name} of the lights is not known")
    return np.asarray(plain[name], dtype=np.float64)


def patches_of(series: Series, treatment: str, quantity: str, plane: str) -> Float64:
    """(m,) values of a quantity on the patches of a treatment.

    Raises
    ------
    Untold
        The treatment was not made, or the quantity not measured on it.
    """
    if treatment not in series.patches:
        why = series.absent.get(treatment, "it was not made")
        raise Untold(f"{treatment}: {why}")
    known = series.patches[treatment].get(quantity)
    if known is None:
        raise Untold(f"the {QUANTITIES[quantity].means} of {treatment} was not measured")
    return np.asarray(known[:, OUTPUT_PLANES.index(plane)], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Nights:
    """Which nights hold lights of two groups, three of a group or more."""

    both: tuple[str, ...]
    first: tuple[str, ...]
    second: tuple[str, ...]


def nights_apart(nights: npt.NDArray[np.str_], first: Mask, second: Mask, least: int = 3) -> Nights:
    """Nights of both groups, and of either.

    >>> nights = np.array(["a"] * 6 + ["b"] * 3)
    >>> nights_apart(nights, np.arange(9) < 3, np.arange(9) >= 3)
    Nights(both=('a',), first=('a',), second=('a', 'b'))
    """
    names = sorted(set(nights[nights != ""].tolist()))
    one = tuple(name for name in names if (first & (nights == name)).sum() >= least)
    other = tuple(name for name in names if (second & (nights == name)).sum() >= least)
    return Nights(tuple(name for name in one if name in other), one, other)


def interleaved(nights: npt.NDArray[np.str_], first: Mask, second: Mask) -> list[tuple[int, int]]:
    """Pairs of neighbours in one night, one light of each group; empty where groups do not alternate.

    They alternate where three fifths of all lights find a partner.

    >>> nights = np.array(["a"] * 6)
    >>> interleaved(nights, np.arange(6) % 2 == 0, np.arange(6) % 2 == 1)
    [(0, 1), (2, 3), (4, 5)]
    >>> interleaved(nights, np.arange(6) < 3, np.arange(6) >= 3)
    []
    """
    rows = np.flatnonzero(first | second)
    pairs, k = [], 0
    while k + 1 < rows.size:
        i, j = int(rows[k]), int(rows[k + 1])
        if nights[i] == nights[j] and first[i] != first[j]:
            pairs.append((i, j) if first[i] else (j, i))
            k += 2
        else:
            k += 1
    return pairs if 2 * len(pairs) >= 0.6 * rows.size else []
