"""What subs and hours are to reach."""

from __future__ import annotations

from dataclasses import dataclass

from fourlight.stages.plan_light import AREA_ARCSEC2, Target

__all__ = ["Wish"]


@dataclass(frozen=True)
class Wish:
    """What subs and hours are to reach."""

    target: Target
    area_arcsec2: float = AREA_ARCSEC2
    loss: float = 0.05
    fwhm_arcsec: float = 3.0
    keep_mag: float | None = None
    longest_s: float | None = None
    goal: float | None = None
    """Signal over noise."""
    clear: float | None = None
    """Chance that a night is clear."""
    hours: float | None = None
    """Of light in a clear night; None: those of the night that is planned."""
