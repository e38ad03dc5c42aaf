"""Resolution of a plane as plain data, for files and figures."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.stages.fineness import Fineness, Range

__all__ = ["resolution_facts"]

POINTS = 100
"""Points of a curve that is drawn or written."""


def resolution_facts(found: Fineness, scale_arcsec: float | None) -> dict[str, Any]:
    """Numbers and curve of a plane.

    Parameters
    ----------
    found : Fineness
    scale_arcsec : float or None
        Of a pixel of the stack; None where it is not known.

    Returns
    -------
    dict
        ``value``, ``low``, ``high``: period of the finest detail (1 / frequency at 1/7) in pixels of the stack with
        its range (95 %), None where ``reason`` says why; the same in ``arcsec``, ``half_bit`` the same at the
        half-bit curve, ``cycles_per_px`` the frequency; ``finest_px`` the finest that is claimed, ``at_limit``
        whether detail reaches to it; ``pattern`` the power of a fixed pattern of one light over the noise of a half;
        ``curve`` by frequency: correlation, its standard error and the half-bit curve.
    """
    period = _period(found.seventh)
    return {
        **period,
        "arcsec": _scaled(period, scale_arcsec),
        "half_bit": _period(found.half),
        "cycles_per_px": dict(zip(("value", "low", "high"), map(_plain, found.seventh), strict=True)),
        "finest_px": _plain(1 / found.finest),
        "at_limit": found.at_limit,
        "pattern": {"value": _plain(found.pattern[0]), "error": _plain(found.pattern[1])},
        "reason": found.reason or None,
        "curve": _curve(found),
    }


def _period(frequency: Range) -> dict[str, float | None]:
    """Periods of a frequency and its range; the higher frequency is the shorter period."""
    value, low, high = frequency
    return {"value": _plain(1 / value), "low": _plain(1 / high), "high": _plain(1 / low)}


def _scaled(period: dict[str, float | None], scale: float | None) -> dict[str, float | None] | None:
    if scale is None:
        return None
    return {key: None if value is None else value * scale for key, value in period.items()}


def _curve(found: Fineness) -> dict[str, list[float | None]]:
    """The curve averaged over neighbouring rings to so many points."""
    rings = found.rings
    count = np.where(np.isfinite(rings.value), rings.count, 0.0)
    step = max(1, -(-len(count) // POINTS))
    starts = np.arange(0, len(count), step)

    def mean(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        if not len(count):
            return count
        weight = np.add.reduceat(count, starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.add.reduceat(np.nan_to_num(values) * count, starts) / weight)

    value = mean(rings.value)
    pixels = np.add.reduceat(count, starts) if len(count) else count
    return {
        "cycles_per_px": [_plain(v) for v in mean(rings.frequency)],
        "correlation": [_plain(v) for v in value],
        "scatter": [_plain(v) for v in (1 - value**2) / np.sqrt(np.maximum(pixels, 1.0))],
        "half_bit": [_plain(v) for v in mean(found.half_bit)],
    }


def _plain(value: float) -> float | None:
    """A number for a file; None where it is not known."""
    return float(value) if np.isfinite(value) else None
