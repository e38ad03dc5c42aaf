"""What is asked of a finished run, as it is written."""

from __future__ import annotations

import re

from fourlight.errors import InputError
from fourlight.pipeline.whatif import Asked
from fourlight.pipeline.whatif_sky import Stated
from fourlight.pipeline.wishes import moon_from
from fourlight.sky.site import EXTINCTIONS_MAG
from fourlight.stages.whatif_sky import SkyWish

__all__ = ["whatif_asked"]


def whatif_asked(
    sky: str | None, moon: str | None, subs: int | None, without: str | None, was: float | None,
    altitude: float | None, extinction: float | None,
) -> Asked:  # fmt: skip
    """What is asked, checked.

    Raises
    ------
    InputError
        A wish that is none.
    """
    factor, mag = (None, None) if sky is None else _sky(sky)
    for name, value, low, high, unit in (
        ("--was", was, 13, 23, "V mag per square arcsec"),
        ("--altitude", altitude, 5, 90, "degrees"),
        ("--extinction", extinction, *EXTINCTIONS_MAG, "mag per air mass"),
    ):
        if value is not None and not low <= value <= high:
            raise InputError(f"{name} {value:g}: {unit} from {low:g} to {high:g} are needed")
    return Asked(
        SkyWish(factor, mag, None if moon is None else moon_from(moon)),
        subs,
        without,
        Stated(was, altitude, extinction),
    )


def _sky(text: str) -> tuple[float | None, float | None]:
    """A factor or a brightness.

    >>> _sky("x2"), _sky("19.5")
    ((2.0, None), (None, 19.5))
    """
    found = re.fullmatch(r"\s*(x?)\s*(\d*\.?\d+)\s*", text, flags=re.IGNORECASE)
    value = float(found[2]) if found else 0.0
    if found and found[1] and value <= 1:
        raise InputError(
            f"--sky {text}: light can be added, never removed; a factor above 1 is needed, such as x2"
        )
    if found and found[1] and value <= 1000:
        return value, None
    if found and not found[1] and 13 <= value <= 23:
        return None, value
    raise InputError(
        f"--sky {text}: V mag per square arcsec from 13 (bright city) to 23 are needed, such as 19.5, or a "
        "factor up to 1000, such as x2"
    )
