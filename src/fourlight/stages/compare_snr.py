"""Signal over noise of a setup against the clock: of kinds of light told apart, of all light, of a star."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.snr import told_errors
from fourlight.stages.compare_draws import Draw, as_drawn, as_drawn_parts, noise_factors
from fourlight.stages.compare_light import CONTINUUM, Counted, Parts, told
from fourlight.stages.compare_setup import Setup, Taken, taken

__all__ = ["ALL_LIGHT", "STAR", "Course", "Patch", "course"]

Float64 = npt.NDArray[np.float64]

ALL_LIGHT, STAR = "all light", "star"
HARDLY = 0.02
"""Of the signal over noise that a kind of light would have if all others were known, below which it counts as not told:
curves within one narrow band differ by a trace between colours, which no real curve is known well enough for."""


@dataclass(frozen=True, slots=True)
class Patch:
    """What signal over noise is told of."""

    kinds: tuple[str, ...]
    area_arcsec2: float
    star_mag: float
    seeing_arcsec: float


@dataclass(frozen=True, eq=False)
class Course:
    """One setup through the hours."""

    taken: Taken
    times_s: Float64
    """(g,) of the clock, from the first moment."""
    snr: dict[str, Float64]
    """(g,) by kind of light, ``all light`` and ``star``; 0 where it cannot be told yet."""
    channels: dict[str, float]
    """Of each channel behind each filter, at the end."""

    def worst(self, needed: Sequence[str]) -> Float64:
        """(g,) of the kind that is told least of those needed."""
        return np.asarray(np.min([self.snr[name] for name in needed], axis=0))


def course(
    setup: Setup, light: Sequence[Counted], parts: Parts, patch: Patch, hours: float, times_s: Float64,
    *, draw: Draw | None = None, number: int = 0, round_s: float | None = None,
) -> Course:  # fmt: skip
    """Signal over noise of a setup at moments of the clock.

    Subs count once they are read out. Kinds of light are told apart by least squares from all that was counted so far;
    of lines, continuum beneath them is taken as known, while the continuum itself is told from the same light.

    Parameters
    ----------
    setup : Setup
    light : sequence of Counted
        Of its filters.
    parts : Parts
    patch : Patch
    hours : float
    times_s : (g,) float64
    draw : Draw, optional
        Values within the ranges of the assumptions; those stated unless given.
    number : int
        Which of the setups of the draw it is.
    round_s : float, optional
        Light of one round, as it was planned.
    """
    draw = draw or Draw()
    found = taken(setup, hours, draw.costs[number], round_s)
    hour = as_drawn_parts(parts, draw)
    count = len(patch.kinds)
    normals, stars = np.zeros((len(times_s), count, count)), np.zeros(len(times_s))
    channels: dict[str, float] = {}
    for k, seen in enumerate(light):
        read, dark = noise_factors(seen, draw)
        one = told(
            as_drawn(seen, draw, (number, k)), hour, patch.area_arcsec2, patch.star_mag,
            draw.seeing_arcsec or patch.seeing_arcsec, read_factor=read, dark_factor=dark,
        )  # fmt: skip
        subs = _subs(found, k, setup.glass[k].sub_s, parts, times_s)
        normals += np.tensordot(subs, one.normals, 1)
        stars += subs @ one.star
        channels |= dict(zip(_named(setup, seen), np.sqrt(subs[-1] @ one.squares).tolist(), strict=True))
    snr = dict(zip(patch.kinds, _apart(normals, patch.kinds).T, strict=True))
    snr |= {ALL_LIGHT: np.sqrt(normals.sum(axis=(1, 2))), STAR: np.sqrt(stars)}
    return Course(found, times_s, snr, channels)


def _named(setup: Setup, seen: Counted) -> list[str]:
    """Channels as a reader knows them."""
    colours = [{"R": "red", "G": "green", "B": "blue"}.get(name, "") for name in seen.glass.rig.channels]
    alone = len(setup.glass) == 1
    return [(name if alone and name else f"{seen.glass.called} {name}".strip()) for name in colours]


def _subs(found: Taken, k: int, sub_s: float, parts: Parts, times_s: Float64) -> Float64:
    """(g, m) subs through a filter in each part of the hours, that are there at moments of the clock."""
    ends = found.ends_s[found.which == k]
    part = np.minimum(np.searchsorted(parts.ends_s, ends - sub_s / 2), len(parts.ends_s) - 1)
    step = np.searchsorted(times_s, ends - 1e-6)
    counts = np.zeros((len(times_s) + 1, len(parts.ends_s)))
    np.add.at(counts, (step, part), 1.0)
    return np.asarray(np.cumsum(counts[:-1], axis=0))


def _apart(normals: Float64, kinds: tuple[str, ...]) -> Float64:
    """(g, k) signal over noise of kinds of light."""
    alone = np.sqrt(np.diagonal(normals, axis1=1, axis2=2))
    whole = 1.0 / told_errors(normals)
    if CONTINUUM in kinds:
        lines = [k for k, name in enumerate(kinds) if name != CONTINUUM]
        whole[:, lines] = 1.0 / told_errors(normals[:, lines][:, :, lines])
    return np.where(whole < HARDLY * alone, 0.0, whole)
