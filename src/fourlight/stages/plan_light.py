"""Light of a target as a plan counts it: kinds of targets, and signal over noise of its colours and lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core.snr import information, line_errors
from fourlight.errors import InputError
from fourlight.sensor.rig import Rig
from fourlight.settings import nearest

__all__ = ["AREA_ARCSEC2", "KINDS", "Target", "kind_named", "of_one", "snr_per_sub",
           "usual_target"]  # fmt: skip

Float64 = npt.NDArray[np.float64]

AREA_ARCSEC2 = 100.0
"""Patch of sky over which signal over noise is told where nobody states it: 10 by 10 arcsec."""
LEAST_SHARE = 0.02
"""Of a line's light that any colour must count for the line to be told of."""
COLOURS = ("red", "green", "blue")


@dataclass(frozen=True)
class Target:
    """A surface: continuum in V mag per square arcsecond, lines in rayleigh; above the air."""

    name: str
    mag_arcsec2: float | None = None
    temperature_k: float = 5000.0
    """Colour of the continuum, as of a black body."""
    rayleigh: Mapping[str, float] = field(default_factory=dict)
    """By kind of line: ``halpha``, ``oiii``, ``sii``."""

    def __post_init__(self) -> None:
        if self.mag_arcsec2 is not None and not 10 <= self.mag_arcsec2 <= 32:
            raise InputError(
                f"surface of {self.mag_arcsec2:g} mag per square arcsec; needed are 10 to 32, in V"
            )
        for name, value in self.rayleigh.items():
            if not 0 < value <= 1e6:
                raise InputError(
                    f"{name} of {value:g} rayleigh; needed are more than 0 and at most a million"
                )


KINDS = {
    "bright-nebula": Target("bright nebula", rayleigh={"halpha": 500.0, "oiii": 250.0}),
    "faint-nebula": Target("faint nebula", rayleigh={"halpha": 30.0, "oiii": 10.0}),
    "oiii-shell": Target("shell in [OIII]", rayleigh={"halpha": 20.0, "oiii": 40.0}),
    "reflection": Target("reflection nebula", 22.5, 12000.0),
    "galaxy": Target("disc of a galaxy", 22.5, 5000.0),
    "galaxy-rim": Target("outer parts of a galaxy", 25.5, 5000.0),
    "dust": Target("dust lit by the Milky Way", 25.5, 4500.0),
}
"""Round values for kinds of targets; single ones are ten times brighter or fainter."""


def kind_named(name: str) -> Target:
    """The kind of a name.

    Raises
    ------
    InputError
        There is none; the nearest one is named.
    """
    if name not in KINDS:
        raise InputError(f"--kind {name}: {nearest(name, KINDS, 'such kind of target')}")
    return KINDS[name]


def usual_target(rig: Rig) -> Target:
    """What is assumed where nobody names a brightness: a faint nebula behind narrow bands, else a galaxy."""
    return KINDS["faint-nebula" if rig.filter.narrow else "galaxy"]


@dataclass(frozen=True)
class _Parts:
    """What one target sends, electrons per second and pixel of each colour, without air."""

    total: Float64
    """(3,)"""
    columns: Float64
    """(3, k) of its lines."""
    names: tuple[str, ...]


def _parts(rig: Rig, target: Target) -> _Parts:
    total = np.zeros(3)
    if target.mag_arcsec2 is not None:
        total = rig.surface(target.mag_arcsec2, target.temperature_k)
    names = tuple(name for name in target.rayleigh if rig.lines((name,)).values.max() > LEAST_SHARE)
    if not names:
        return _Parts(total, np.zeros((3, 0)), ())
    columns = rig.line_rates({name: target.rayleigh[name] for name in names})
    return _Parts(total + columns.sum(axis=1), columns, names)


def snr_per_sub(
    rig: Rig, target: Target, sky_e_s: Float64, sub_s: float, area_arcsec2: float, *,
    passed: float | Float64 = 1.0, subs: float | Float64 = 1.0,
) -> dict[str, float]:  # fmt: skip
    """Signal over noise of a patch of the target: of every colour, of all together, and of its lines told apart.

    Parameters
    ----------
    rig : Rig
    target : Target
    sky_e_s : (3,) or (m, 3) float64
        Electrons per second of a pixel of the sky, without the dark current; one row for each part of a night.
    sub_s : float
    area_arcsec2 : float
        Of the patch; the sky beside it is taken as known.
    passed : float or (m,) float64
        Part of the target's light that air and cloud let through.
    subs : float or (m,) float64
        How many subs of each part.

    Returns
    -------
    dict
        ``red``, ``green``, ``blue``, ``all colours``, and ``halpha`` and the others where the filter passes them.
        A line is told from the others by least squares; continuum beneath it must be known from elsewhere.
    """
    parts = _parts(rig, target)
    samples = rig.samples * area_arcsec2 / rig.pixel_arcsec**2
    back = np.atleast_2d(sky_e_s) + rig.chip.dark_e_per_s
    through, count = (np.broadcast_to(np.asarray(each, float), len(back)) for each in (passed, subs))
    each, normals = information(
        parts.total, parts.columns, back, rig.chip.read_variance_e2, samples, sub_s, through
    )
    squares, normal = count @ each, np.tensordot(count, normals, 1)
    found = dict(zip(COLOURS, np.sqrt(squares).tolist(), strict=True))
    found["all colours"] = float(np.sqrt(squares.sum()))
    if parts.names:
        # Columns are those of the whole line, so that a unit of it is all of its light.
        found |= dict(zip(parts.names, (1.0 / line_errors(normal)).tolist(), strict=True))
    return found


def of_one(snr: Mapping[str, float], names: tuple[str, ...] = ("halpha", "oiii", "sii")) -> tuple[str, float]:
    """What a goal is about: the weakest line that is there, else all colours together; and its value."""
    lines = {name: snr[name] for name in names if name in snr}
    if lines:
        return min(lines.items(), key=lambda pair: pair[1])
    return "all colours", snr["all colours"]
