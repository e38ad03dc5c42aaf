"""What a what-if tells, as plain data: ``whatif.json``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.core.cfa import PLANES
from fourlight.core.trials import Trial
from fourlight.pipeline.whatif_lights import NewLight, room_needed
from fourlight.pipeline.whatif_sky import Measured
from fourlight.pipeline.whatif_stacks import Pair
from fourlight.stages.plan_light import AREA_ARCSEC2
from fourlight.stages.whatif_sky import SkyWish
from fourlight.stages.whatif_snr import Gain

__all__ = ["Setting", "facts_of"]


@dataclass(frozen=True, slots=True)
class Setting:
    """What was asked for, and what was made."""

    out: str
    sky: SkyWish
    subs: int | None
    without: str | None
    run: str | None
    """Folder of the new run below that of the results; None: the stack is the old one."""
    new: Sequence[NewLight]
    chosen: Sequence[int]


def facts_of(
    setting: Setting,
    pair: Pair,
    measured: Measured | None,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
) -> dict[str, Any]:
    """All that the page and the terminal tell."""
    hours = [part["integration"]["total_exposure_s"] / 3600 for part in (before, after)]
    return {
        "fourlight": __version__,
        "of": setting.out,
        "run": setting.run,
        "asked": asdict(setting.sky) | {"subs": setting.subs, "without": setting.without},
        "object": before.get("object"),
        "unit": before["unit"],
        **_channels(pair, before.get("scale_arcsec_px"), hours[1]),
        "lights": _lights(setting, before, after),
        "hours": {"before": hours[0], "after": hours[1]},
        "sky": None if measured is None else _sky(measured, setting),
        "assumed": list(measured.assumed) if measured else [],
        "each_light": [
            {"file": str(light.frame.path), "new": light.path.name, "added_e": _by_plane(light.electrons)}
            for light in setting.new
        ],
    }


def _channels(pair: Pair, scale_arcsec_px: float | None, hours: float) -> dict[str, Any]:
    """Numbers of channels, and the patch they are of: in arcseconds where the scale is known, else in pixels."""
    if scale_arcsec_px is None:
        patch, grows = {"patch_arcsec2": None, "patch_px": pair.patch_px}, 1.0
    else:
        patch = {"patch_arcsec2": AREA_ARCSEC2, "patch_px": None}
        # noise of a mean falls with the root of the area, SNR rises with it
        grows = float(np.sqrt(AREA_ARCSEC2 / (pair.patch_px * scale_arcsec_px**2)))
    return {**patch, "channels": {name: _gain(gain, grows, hours) for name, gain in pair.gains.items()}}


def _lights(setting: Setting, before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """How many lights there were and are, which went, and what was written."""
    return {
        "before": len(before["frames"]),
        "asked": len(setting.chosen),
        "after": len(after["frames"]),
        "with_added_light": len(setting.new),
        "set_aside_after": [
            {"file": item["file"], "reason": item["reason"]}
            for item in (after["set_aside"] if after is not before else ())
            if item.get("role") in (None, "light")
        ],
        "method": [part["integration"]["method"] for part in (before, after)],
        "megabytes_written": room_needed(setting.new) / 1e6,
    }


def _sky(measured: Measured, setting: Setting) -> dict[str, Any]:
    added, rows = measured.added, list(setting.chosen)
    electrons, factor, sky = (part[rows] for part in (added.electrons, added.factor, added.sky))
    whole = electrons.sum(axis=1) / sky.sum(axis=1)
    mag = measured.mag[rows]
    return {
        "measured_e": _by_plane(np.median(sky, axis=0)),
        "added_e": _by_plane(np.median(electrons, axis=0)),
        "factor": _by_plane(np.median(factor, axis=0)),
        "was_mag": _spread(mag),
        "is_mag": _spread(mag - 2.5 * np.log10(1 + whole)),
        "moon_mag": added.moon_mag,
        "left_as_they_were": int((~added.changed[rows]).sum()),
    }


def _spread(values: Any) -> dict[str, float] | None:
    """Lowest, median and highest; None where they are not known."""
    if not np.isfinite(values).all():
        return None
    return {"least": float(values.min()), "median": float(np.median(values)), "most": float(values.max())}


def _by_plane(values: Any) -> dict[str, float]:
    return {plane: float(value) for plane, value in zip(PLANES, values, strict=True)}


def _gain(gain: Gain, grows: float, hours: float) -> dict[str, Any]:
    """Numbers of one channel, for the patch; hours are those after which the old SNR would be reached."""
    noise = [None if value is None else value / grows for value in gain.noise]
    snr = [None if value is None else value * grows for value in gain.snr]
    return {
        "noise": {"before": noise[0], "after": noise[1]},
        "snr": {"before": snr[0], "after": snr[1]},
        "faint": _trial(gain.faint, hours),
        "object": _trial(gain.bright, hours),
    }


def _trial(trial: Trial | None, hours: float) -> dict[str, Any] | None:
    if trial is None:
        return None
    low, high = max(trial.low, 1e-6), max(trial.high, 1e-6)
    return {
        "ratio": trial.value,
        "low": trial.low,
        "high": trial.high,
        "hours_for_the_same": {
            "value": hours / trial.value**2,
            "low": hours / high**2,
            "high": hours / low**2 if trial.low > 0 else None,
        },
    }
