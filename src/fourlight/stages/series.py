"""What each light brought, plane by plane, and what other treatments of the same lights made: the ground of claims."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from fourlight.core.estimates import Estimate
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["AS_RUN", "Known", "Series", "least_first", "tenth"]

Float64 = npt.NDArray[np.float64]
Texts = tuple[str, ...]

AS_RUN = "as run"
"""The treatment that all others are compared with."""


@dataclass(frozen=True, slots=True)
class Known:
    """A comparison of planes over all lights that was made before, with more than single values of lights tell."""

    estimate: Estimate
    """A share itself; of a ratio the logarithm."""
    scope: str
    """'these frames' or 'nights like these'."""
    memory: bool = False
    """Whether the interval allows for what neighbours have in common, so that its tails are longer than Student's t."""


@dataclass(frozen=True, slots=True)
class Series:
    """Facts and values of n lights in order of time; what is not known is NaN.

    Planes are those of `fourlight.stages.stack_layers.OUTPUT_PLANES`: R, G1, G2, B, and G of both greens.
    """

    files: Texts
    nights: Texts
    """Civil date of each light's night."""
    time_s: Float64
    """(n,) middle of the exposure, seconds from any one moment, never falling."""
    exposure_s: Float64
    temperature_c: Float64
    halves: Texts
    """'A' or 'B': the half stack that each light went into; empty where it went into none."""
    moon_lit: Float64
    """(n,) lit share of the Moon's disk, 0 to 1."""
    moon_altitude_deg: Float64
    values: Mapping[str, Float64] = field(default_factory=dict)
    """(n, 5) by quantity; see `fourlight.stages.claim_terms.QUANTITIES` for names, meaning and units."""
    common: Mapping[str, Float64] = field(default_factory=dict)
    """(5,) relative standard error of a quantity that all its lights have in common, such as that of the object's
    signal where it is measured once in the stack; 0 where a quantity is not named."""
    known: Mapping[tuple[str, str, str, str], Known] = field(default_factory=dict)
    """By quantity, kind of comparison and both sides, such as G of R+G+B: what is told elsewhere of the same lights, so
    that one quantity has one value and one interval."""
    patches: Mapping[str, Mapping[str, Float64]] = field(default_factory=dict)
    """Treatment -> quantity -> (m, 5) on m separate patches of the stack, the same ones for every treatment."""
    absent: Mapping[str, str] = field(default_factory=dict)
    """Treatment that could not be made -> why, as the rest of a sentence without a full stop."""

    def __post_init__(self) -> None:
        n = len(self.files)
        for each in fields(self):
            found = getattr(self, each.name)
            if not isinstance(found, Mapping) and len(found) != n:
                raise ValueError(f"{each.name} holds {len(found)} values for {n} lights")
        for name, values in self.values.items():
            if np.shape(values) != (n, len(OUTPUT_PLANES)):
                raise ValueError(f"{name} is {np.shape(values)}; ({n}, {len(OUTPUT_PLANES)}) is needed")
        if n and not (np.diff(self.time_s) >= 0).all():
            raise ValueError("lights are not in order of time")
        sizes = {np.shape(values) for kind in self.patches.values() for values in kind.values()}
        if len(sizes) > 1 or any(len(size) != 2 or size[1] != len(OUTPUT_PLANES) for size in sizes):
            raise ValueError(f"patches of all treatments must be of one shape (m, 5), not {sorted(sizes)}")

    def __len__(self) -> int:
        return len(self.files)

    def shared_error(self, quantity: str, plane: str) -> float:
        """Relative standard error that a quantity of a plane has in common over all lights."""
        known = self.common.get(quantity)
        return 0.0 if known is None else float(known[OUTPUT_PLANES.index(plane)])


def least_first(brought: Float64) -> npt.NDArray[np.intp]:
    """Lights whose weight is known, those that bring least first: R, G and B each against its median.

    Parameters
    ----------
    brought : (n, 5) float64
        What each light brings in R, G1, G2, B and G, above zero.

    Examples
    --------
    >>> least_first(np.array([[3.0] * 5, [1.0] * 5, [np.nan] * 5, [2.0] * 5])).tolist()
    [1, 3, 0]
    """
    columns = brought[:, [OUTPUT_PLANES.index(plane) for plane in ("R", "G", "B")]]
    columns = columns[:, np.isfinite(columns).any(axis=0)]
    if not columns.size:
        return np.zeros(0, dtype=np.intp)
    mean = (columns / np.nanmedian(columns, axis=0)).mean(axis=1)
    return np.argsort(mean, kind="stable")[
        : np.count_nonzero(np.isfinite(mean))
    ]  # what is not known comes last


def tenth(lights: int) -> int:
    """The whole number of lights next to a tenth of them, one at least.

    >>> [tenth(n) for n in (0, 4, 14, 15, 24, 25)]
    [0, 1, 1, 2, 2, 3]
    """
    return min(max(1, (lights + 5) // 10), lights)
