"""What is told of every sub of a night that goes on: measured numbers, and time that only goes forward."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.airmass import air_mass
from fourlight.core.extinction import V_NM, extinction_mag
from fourlight.frames import RawFrame, RegisteredFrame, SetAside
from fourlight.pipeline.summary import arcsec_per_pixel
from fourlight.stages.fringe_facts import altitude_of
from fourlight.stages.live_alarms import Alarm, Watchman
from fourlight.stages.live_snr import Forecast, Target, forecast

__all__ = [
    "HOUR_S",
    "aside_row",
    "gap_s",
    "header_facts",
    "jump_words",
    "next_time_s",
    "outlook",
    "snr_of",
    "told_by",
    "used_row",
    "watched",
]

Float64 = npt.NDArray[np.float64]
Row = dict[str, Any]

HOUR_S = 3600.0
LONGEST_STEP_S = 6 * HOUR_S
"""From one sub to the next, as headers say it, before it counts as a jump of their clock."""
RECENT = 40
BREAK = 5.0
"""Over the usual step from sub to sub, beyond which it is a break."""


def header_facts(raw: RawFrame | None) -> Row:
    """What a row holds of a header: nothing is known without one."""
    time = raw.time if raw else None
    return {
        "time": time.isoformat() if time else None,
        "epoch_s": time.timestamp() if time else None,
        "exposure_s": raw.exposure_s if raw else None,
    }


def used_row(frame: RegisteredFrame, density: Float64, variance: Float64, where: Mapping[str, Any]) -> Row:
    """Numbers of a sub in the stack, of which ``variance`` (3,) is that of the stack with it."""
    measured, raw = frame.measured, frame.measured.raw
    scale = arcsec_per_pixel(measured)
    width = float(np.nanmean(measured.fwhm_px))
    seconds = raw.exposure_s or 1.0
    altitude = altitude_of(raw)
    return {
        **where,
        "status": "used",
        "fwhm_px": width,
        "fwhm_arcsec": width * scale if scale else None,
        "elongation": float(np.nanmedian(measured.elongation)),
        "sky": float(measured.sky[1:3].mean() / seconds),
        "transparency": float(frame.transparency.mean()),
        "stars": len(measured.stars),
        "air_mass": None if altitude is None or altitude <= 0 else float(air_mass(altitude)),
        "density": np.asarray(density).tolist(),
        "variance": np.asarray(variance).tolist(),
    }


def aside_row(item: SetAside, variance: Float64 | None, where: Mapping[str, Any]) -> Row:
    """A sub that is set aside, and why."""
    held = None if variance is None else np.asarray(variance).tolist()
    return {**where, "status": "set aside", "stage": item.stage, "reason": item.reason, "variance": held}


def next_time_s(rows: Sequence[Row], raw: RawFrame, arrived_s: float | None) -> tuple[float, float | None]:
    """Time of a sub since the first one, seconds, and by how much the clock of the headers jumped, if it did.

    Headers tell what has passed since the sub before it, where that can be; else it is how long it took to come
    (``arrived_s``, None at the beginning of a watch), else its exposure.
    """
    if not rows:
        return 0.0, None
    last, exposure = rows[-1], raw.exposure_s or 1.0
    other = exposure if arrived_s is None else max(arrived_s, exposure)
    if raw.time is None or last["epoch_s"] is None:
        return last["time_s"] + other, None
    step = raw.time.timestamp() - last["epoch_s"]
    if 0 < step <= LONGEST_STEP_S:
        return last["time_s"] + step, None
    return last["time_s"] + other, step - other


def jump_words(rows: Sequence[Row], where: Mapping[str, Any], jump_s: float) -> tuple[str, str]:
    """What is told of a sub whose header does not go on from the one before it: heading and sentence.

    >>> jump_words([{"epoch_s": 60.0}, {"epoch_s": 120.0}], {"file": "b.fits", "epoch_s": 90.0}, -60.0)[0]
    'late'
    """
    known = [row["epoch_s"] for row in rows if row["epoch_s"] is not None]
    if known and where["epoch_s"] is not None and min(known) <= where["epoch_s"] <= max(known):
        return (
            "late",
            f"{where['file']} was taken before others that came earlier; on the chart it is where it came",
        )
    way = "ahead" if jump_s > 0 else "back"
    return "clock", (
        f"at {where['file']} the clock of the headers jumps {way} by {abs(jump_s):.0f} s; time here goes on without it"
    )


def gap_s(rows: Sequence[Row]) -> float:
    """From one sub to the next, mean of the last ones less breaks; 0 where it is not known.

    The middle one would leave out moves of the mount that come after every few subs.
    """
    steps = np.diff([row["time_s"] for row in rows[-RECENT:]])
    return float(steps[steps <= BREAK * np.median(steps)].mean()) if len(steps) else 0.0


def told_by(rows: Sequence[Row], target: Target | None) -> list[float]:
    """What each sub tells of the light of the target; 0 where it is set aside."""
    signal = np.ones(3) if target is None else np.maximum(target.signal, 0.0)
    found = []
    for row in rows:
        if row["status"] != "used":
            found.append(0.0)
            continue
        r, g1, g2, b = row["density"]
        found.append(float((signal**2 * np.array([r, g1 + g2, b])).sum()))
    return found


def snr_of(rows: Sequence[Row], target: Target) -> Float64:
    """(n,) signal over noise of the stack after each sub; NaN before there was one."""
    none = [np.nan] * 3
    variance = np.array([row["variance"] or none for row in rows], dtype=np.float64).reshape(-1, 3)
    found = target.snr(variance)
    return np.where(np.isfinite(variance).any(axis=1), found, np.nan)


def outlook(rows: Sequence[Row], target: Target | None) -> Forecast | None:
    """What another hour gives."""
    return forecast(told_by(rows, target), gap_s(rows), HOUR_S)


def watched(watchman: Watchman, row: Row) -> list[Alarm]:
    """Let the watchman look at a sub; the alarms that it raises. One that could not be measured tells nothing."""
    if row["status"] != "used":
        return watchman.add(row["time_s"], {})
    names = ("transparency", "sky", "fwhm_px", "elongation")
    return watchman.add(row["time_s"], {name: row[name] / by_air(name, row["air_mass"]) for name in names})


def by_air(name: str, mass: float | None) -> float:
    """What more air than in the zenith makes of a quantity, as far as the headers tell the altitude; else 1.

    Seeing goes as the air mass to the power of 0.6 (Fried's length as cos z to 0.6: Roddier 1981, Progress in Optics
    19, 281, as remembered), starlight as usual clear air has it.

    >>> by_air("fwhm_px", None), round(by_air("fwhm_px", 2.0), 2), round(by_air("transparency", 2.0), 2)
    (1.0, 1.52, 0.84)
    """
    if mass is None:
        return 1.0
    if name == "fwhm_px":
        return float(mass**0.6)
    if name == "transparency":
        return float(10 ** (-0.4 * float(extinction_mag(V_NM)) * (mass - 1)))
    return 1.0
