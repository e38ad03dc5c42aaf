"""Whether the Moon of a scene is the one that stands in the sky at its dates, and when such a Moon does."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from fourlight.simulate.scene import Scene
from fourlight.simulate.scene_sky import Night
from fourlight.sky.moon import lit_share, moon_altitudes

__all__ = ["strange_moons"]

Float64 = npt.NDArray[np.float64]

OTHER_LIGHT, OTHER_HEIGHT_DEG = 0.15, 20.0
"""Differences of lit share and altitude from which it is another Moon."""
THIN = 0.2
"""Lit share below which a Moon that the scene does not have is passed over."""
SEARCHED_DAYS = 40


def strange_moons(scene: Scene) -> list[str]:
    """A sentence for every night whose Moon is not that of its date over the scene's site.

    Frames are made as the scene says all the same, but whoever looks up the Moon by their dates finds the other.
    """
    said = []
    for number, night in enumerate(scene.nights, start=1):
        start = datetime.fromisoformat(night.start_utc).replace(tzinfo=UTC)
        length = ((night.exposure_s or scene.exposure_s) + night.gap_s) * night.count
        half = timedelta(seconds=length / 2)
        found = _moon(scene, [start + half])
        if _like(night, *found)[0]:
            continue
        has = "no Moon" if night.moon_phase_deg is None else f"a Moon {_told(*_of(night))}"
        is_there = _told(*(float(part[0]) for part in found))
        said.append(
            f"Night {number} of the scene has {has}, but at {night.start_utc} over its site the Moon is {is_there}: "
            f"what looks up the Moon by date, such as claims, will see that one{_better(scene, night, start, half)}."
        )
    return said


def _moon(scene: Scene, times: list[datetime]) -> tuple[Float64, Float64]:
    """Lit share and altitude."""
    return lit_share(times), moon_altitudes(times, scene.site.latitude_deg, scene.site.longitude_deg)


def _of(night: Night) -> tuple[float, float]:
    """Lit share and altitude that the scene says."""
    assert night.moon_phase_deg is not None
    return (1 + math.cos(math.radians(night.moon_phase_deg))) / 2, 90.0 - night.moon_zenith_deg


def _like(night: Night, share: Float64, high: Float64) -> npt.NDArray[np.bool_]:
    """Whether Moons are like that of the night."""
    if night.moon_phase_deg is None:
        return np.asarray((high < 0) | (share < THIN))
    wanted = _of(night)
    return np.asarray(
        (np.abs(share - wanted[0]) < OTHER_LIGHT) & (np.abs(high - wanted[1]) < OTHER_HEIGHT_DEG)
    )


def _told(share: float, high: float) -> str:
    """A Moon in words.

    >>> _told(0.97, 41.2), _told(0.04, -12.0)
    ('lit by 97 % and 41 degrees high', 'lit by 4 % and 12 degrees below the horizon')
    """
    where = f"{high:.0f} degrees high" if high >= 0 else f"{-high:.0f} degrees below the horizon"
    return f"lit by {100 * share:.0f} % and {where}"


def _better(scene: Scene, night: Night, start: datetime, half: timedelta) -> str:
    """The nearest date, at the same hour, whose Moon is like that of the night."""
    days = sorted(range(-SEARCHED_DAYS, SEARCHED_DAYS + 1), key=abs)
    times = [start + timedelta(days=day) for day in days]
    like = np.flatnonzero(_like(night, *_moon(scene, [time + half for time in times])))
    return f"; {times[like[0]]:%Y-%m-%dT%H:%M} would fit" if like.size else ""
