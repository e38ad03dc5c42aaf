"""``summary.json``: everything a run found out, for people, scripts and the report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight import __version__
from fourlight.core.cfa import PLANES
from fourlight.frames import FrameFlag, MeasuredFrame, NoiseModel, RegisteredFrame, Role, SetAside
from fourlight.io.roles import from_path
from fourlight.report.remarks import flag_name
from fourlight.stages.fringe_facts import fringe_facts
from fourlight.stages.grid import Grid
from fourlight.stages.way import Way

__all__ = ["Findings", "summarise"]

ARCSEC_PER_RADIAN = 206264.806
"""180 * 3600 / pi, by definition."""

NOISE = (
    "gain_e_per_adu", "gain_error", "gain_source", "read_noise_e", "read_noise_error", "read_noise_source",
    "pedestal_adu", "pedestal_source",
)  # fmt: skip
"""What the summary tells of the noise model."""


@dataclass(slots=True)
class Findings:
    """What the stages of a run hand to the summary."""

    reference: MeasuredFrame
    grid: Grid
    frames: Sequence[RegisteredFrame]
    weight: npt.NDArray[np.float64]
    """(f, 4)"""
    sky_error: npt.NDArray[np.float64]
    """(f, 4) of the sky that was taken off each frame."""
    trails: Sequence[npt.NDArray[np.float64]]
    """(n, 4) straight trails of each frame that were taken out."""
    unit: str
    mosaic: dict[str, Any]
    """That of the lights, where they are of several kinds of the first; so with the noise."""
    noise: NoiseModel
    calibration: dict[str, Any]
    way: Way
    weights_for: str
    """Extended or point: the light for which frames are weighted."""
    rejected_share: dict[str, float]
    noise_correlation: dict[str, float]
    planes: dict[str, dict[str, Any]]
    set_aside: Sequence[SetAside]
    names: Mapping[Path, str]
    """What each file is called; no two are called alike."""
    roles: Mapping[Path, Role] = field(default_factory=dict)
    """What each file is for, as far as it says."""
    measured: dict[Path, MeasuredFrame] = field(default_factory=dict)
    """What was measured of lights that were set aside later."""
    assumptions: Sequence[str] = ()
    to_know: Sequence[str] = ()
    """What a user must know: what is odd about frames in use, and what that means for the result."""
    kinds: Sequence[dict[str, Any]] = ()
    """What is known of each kind of lights, where there are several."""
    odd: Sequence[tuple[str, str]] = ()
    """Name of each frame in use about which something is odd, and what that is."""


def summarise(found: Findings) -> dict[str, Any]:
    """The summary as plain data; pixels and matrices follow the convention of ``stack.fits``."""
    raw, scale = found.reference.raw, arcsec_per_pixel(found.reference)
    ny, nx = found.grid.shape(found.reference)
    return {
        "fourlight": __version__,
        "unit": found.unit,
        "object": _common([f.measured.raw.object_name for f in found.frames]),
        "grid": {"ny": ny, "nx": nx, "reference": found.names[raw.path], "zoom": found.grid.zoom},
        "scale_arcsec_px": scale / found.grid.zoom if scale else None,
        "mosaic": found.mosaic,
        "noise": {name: getattr(found.noise, name) for name in NOISE},
        "kinds": list(found.kinds),
        "calibration": found.calibration,
        "integration": _integration(found),
        "fringes": fringe_facts(found.frames, scale),
        "planes": found.planes,
        "frames": _frames(found),
        "set_aside": [_aside(item, found) for item in found.set_aside],
        "nights": _nights(found.frames),
        "assumptions": list(found.assumptions),
        "to_know": list(found.to_know),
        "odd": [{"file": name, "reason": reason} for name, reason in found.odd],
    }


def _integration(found: Findings) -> dict[str, Any]:
    """How lights were added up, and what they are worth together."""
    return {
        **_choices(found.way),
        "rejected_share": found.rejected_share,
        "noise_correlation": found.noise_correlation,
        "total_exposure_s": float(sum(f.measured.raw.exposure_s or 0.0 for f in found.frames)),
        "weights_for": found.weights_for,
        "effective_exposure_s": _per_plane(_effective_exposure(found)),
        "effective_frames": _per_plane(found.weight.sum(axis=0) ** 2 / (found.weight**2).sum(axis=0)),
    }


def _effective_exposure(found: Findings) -> npt.NDArray[np.float64]:
    """(4,) exposure as good as the best light's that would weigh as much as all; lights of no exposure count 1 s."""
    seconds = np.array([f.measured.raw.exposure_s or 1.0 for f in found.frames])[:, None]
    return np.asarray(found.weight.sum(axis=0) / (found.weight / seconds).max(axis=0))


def _choices(way: Way) -> dict[str, Any]:
    """Method and size of drops (None where there are none), who chose them, and why."""
    found: dict[str, Any] = {"method": way.method, "method_source": "coverage" if way.method_reason else "recipe",
                             "method_reason": way.method_reason or None, "pixfrac": None}  # fmt: skip
    if way.method == "drizzle":
        found |= {
            "pixfrac": way.pixfrac,
            "pixfrac_source": "coverage" if way.pixfrac_reason else "recipe",
            "pixfrac_reason": way.pixfrac_reason or None,
        }
    return found


def _per_plane(values: npt.NDArray[np.float64]) -> dict[str, float]:
    return {plane: float(value) for plane, value in zip(PLANES, values, strict=True)}


def _frames(found: Findings) -> list[dict[str, Any]]:
    """What is known of each light in use."""
    each = zip(found.frames, found.weight, found.trails, found.sky_error, strict=True)
    return [
        _used(frame, weight, trails, found) | {"sky_error": _per_plane(error)}
        for frame, weight, trails, error in each
    ]


def _used(
    frame: RegisteredFrame,
    weight: npt.NDArray[np.float64],
    trails: npt.NDArray[np.float64],
    found: Findings,
) -> dict[str, Any]:
    grid = found.grid
    by_plane = [grid.carried(matrix).tolist() for matrix in frame.plane_matrix]
    return {
        **_measured(frame.measured, found.names),
        "matrix": grid.carried(frame.matrix).tolist(),
        "plane_matrix": dict(zip(PLANES, by_plane, strict=True)),
        "bend": None if frame.bend is None else grid.bent(frame.bend).tolist(),
        "trails": trails.tolist(),
        "rms_px": None if frame.measured.raw.path == found.reference.raw.path else frame.rms_px,
        "place_error_px": frame.place_error_px,
        "matched": frame.matched,
        "weight": _per_plane(weight),
        "transparency": _per_plane(frame.transparency),
        "transparency_error": _per_plane(frame.transparency_error),
        "flags": _flags(frame.flags),
    }


def _measured(frame: MeasuredFrame, names: Mapping[Path, str]) -> dict[str, Any]:
    raw = frame.raw
    return {
        "file": names[raw.path],
        "path": str(raw.path),
        "night": raw.night,
        "time": raw.time.isoformat() if raw.time else None,
        "exposure_s": raw.exposure_s,
        "filter": raw.filter_name,
        "temperature_c": raw.temperature_c,
        "sky": _per_plane(frame.sky),
        "gradient": _per_plane(frame.gradient),
        "noise": _per_plane(frame.noise),
        "fwhm_px": _per_plane(frame.fwhm_px),
        "elongation": _per_plane(frame.elongation),
        "angle_deg": frame.angle_deg,
        "stars": len(frame.stars),
        "flags": _flags(frame.flags),
    }


def _flags(flags: FrameFlag) -> list[str]:
    return [flag_name(flag) for flag in FrameFlag if flag and flag in flags]


def _aside(item: SetAside, found: Findings) -> dict[str, Any]:
    data: dict[str, Any] = {
        "file": found.names[item.path],
        "path": str(item.path),
        "role": _role(item.path, found.roles),
        "stage": item.stage,
        "reason": item.reason,
    }
    if item.path in found.measured:
        data["measured"] = _measured(found.measured[item.path], found.names)
    return data


def _role(path: Path, roles: Mapping[Path, Role]) -> str | None:
    """What a file is for: known, or said by its name or its folder; else None."""
    said = from_path(path, path.parent)
    return str(roles.get(path) or (said[0] if said else "")) or None


def _common(names: Sequence[str | None]) -> str | None:
    counts = Counter(name for name in names if name)
    return counts.most_common(1)[0][0] if counts else None


def arcsec_per_pixel(frame: MeasuredFrame) -> float | None:
    """Arcsec per raw pixel from pixel size and focal length (`206.265 p[um] / f[mm]`); None if not known."""
    raw = frame.raw
    if not raw.pixel_um or not raw.focal_mm:
        return None
    return ARCSEC_PER_RADIAN * raw.pixel_um * 1e-3 / raw.focal_mm


def _nights(frames: Sequence[RegisteredFrame]) -> list[dict[str, Any]]:
    nights: dict[str | None, list[RegisteredFrame]] = {}
    for frame in frames:
        nights.setdefault(frame.measured.raw.night, []).append(frame)
    return [
        {
            "night": night,
            "frames": len(group),
            "exposure_s": float(sum(f.measured.raw.exposure_s or 0.0 for f in group)),
        }
        for night, group in sorted(nights.items(), key=lambda item: item[0] or "")
    ]
