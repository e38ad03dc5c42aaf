"""Numbers of lines.json, put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.spectra import RAYLEIGH
from fourlight.errors import InputError
from fourlight.pipeline.lightpaths import beam_words
from fourlight.pipeline.line_request import Asked, Source
from fourlight.sensor.filters import known_filter
from fourlight.stages import line_facts
from fourlight.stages.canvas import some
from fourlight.stages.line_kinds import KIND_NAMES, Telling
from fourlight.stages.line_maps import LineMaps, Planes

__all__ = ["factors_of", "kinds_of", "numbers_of"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

BRIGHTEST = 0.999
"""Quantile of a plane that becomes white where a stack is brought to 8 bits."""


def numbers_of(
    source: Source, other: Source | None, asked: Asked, telling: Telling, sets: Sequence[Planes], variance: Float64
) -> dict[str, Any]:  # fmt: skip
    """What ``lines.json`` tells beside the kinds of light themselves."""
    top = max(float(np.nanquantile(some(value), BRIGHTEST)) for value in sets[0].values)
    reach = top + 3.0 * float(np.sqrt(variance[: len(COLOURS)].max()))
    return {
        "camera": asked.camera.name,
        "filter": asked.filter.name,
        "filter_of_lights": known_filter(source.reference.filter_name) if source.reference else None,
        "f_ratio": asked.beam.f_ratio if asked.beam else None,
        "arcsec_px": dict(zip(("value", "from"), scale_of(source.summary), strict=True)),
        "beam": beam_words(asked.filter, asked.beam, asked.beam_from),
        "broadband": None
        if other is None or asked.broadband_filter is None
        else {
            "name": other.name,
            "filter": asked.broadband_filter.name,
            "filter_from": asked.broadband_filter_from,
        },
        "channels": list(COLOURS) * len(sets),
        "columns": list(telling.columns),
        "matrix": telling.matrix.tolist(),
        "matrix_sigma": np.sqrt((telling.modes**2).sum(axis=0)).tolist(),
        "not_told": [{"kind": kind, "reason": reason} for kind, reason in telling.reasons],
        "counts_as": telling.taken,
        "leak": line_facts.leak_facts(telling, variance),
        **line_facts.share_facts(telling, variance),
        "recipes": line_facts.recipe_facts(telling, variance, reach),
        "assumptions": list(dict.fromkeys(telling.notes)),
        "curves": telling.scale,
    }


def scale_of(summary: Mapping[str, Any]) -> tuple[float | None, str]:
    """Side of a pixel of the stack, arcsec, and who tells it: stars before what headers have of optics and pixels."""
    solved = (summary.get("sky") or {}).get("scale_arcsec_px")
    return (float(solved), "plate solution") if solved else (summary.get("scale_arcsec_px"), "header")


def factors_of(source: Source, asked: Asked, telling: Telling) -> dict[str, float]:
    """Rayleighs of each line for an electron of a mean sample; empty where light is told in electrons.

    Raises
    ------
    InputError
        Rayleighs are asked for, and something that they take is not known.
    """
    if asked.transmission is None:
        return {}
    light, (scale, _) = source.reference, scale_of(source.summary)
    aperture = light.aperture_mm if light else None
    exposure = light.exposure_s if light else None
    lacking = {
        "quantum efficiencies of the camera (a CSV file that holds them)": telling.scale == "absolute",
        "how large a pixel is on the sky (a plate solution, or pixel size and focal length in the header)": bool(scale),
        "the aperture (APTDIA in the header)": bool(aperture),
        "the exposure (EXPTIME in the header)": bool(exposure),
        "the gain of the camera (by flats and bias frames, or in the header)": source.summary.get("unit") == "electron",
    }  # fmt: skip
    gone = [what for what, there in lacking.items() if not there]
    if gone or not (scale and aperture and exposure):
        raise InputError(
            f"--transmission {asked.transmission:g}: to tell light in rayleighs, this too must be known: "
            f"{'; '.join(gone)}. Without --transmission light is told in electrons"
        )
    area = np.pi / 4.0 * (aperture / 10.0) ** 2
    one = RAYLEIGH * area * scale**2 * exposure * asked.transmission
    lines = [name for name in telling.lines if name != "continuum"]
    return {name: float(1.0 / (one * telling.units[telling.columns.index(name)])) for name in lines}


def kinds_of(
    telling: Telling, maps: LineMaps, sets: Sequence[Planes], variance: Float64, where: Bool,
    factors: dict[str, float], summary: dict[str, Any],
) -> dict[str, dict[str, Any]]:  # fmt: skip
    """What is told of each kind of light, in its unit.

    Parameters
    ----------
    telling : Telling
    maps : LineMaps
    sets : sequence of Planes
    variance : (c,) float64
        Of the channels of all sets in the part that is looked at.
    where : (ny, nx) bool
        That part.
    factors : dict
        See `factors_of`.
    summary : dict
        Of the run.
    """
    noise = line_facts.noise_of_kinds(telling, variance)
    sky = line_facts.sky_errors(telling, variance, np.concatenate([each.sky_error for each in sets]))
    leak = line_facts.leak_facts(telling, variance)
    correlation = (summary.get("integration") or {}).get("noise_correlation")
    by_gain = _gain_error(summary.get("noise") or {})
    out = {}
    for name in telling.lines:
        k, factor = telling.columns.index(name), factors.get(name, 1.0)
        values = some(maps.light[name])[some(where)]
        curves = line_facts.photon_error(telling, variance, name) if name in factors else leak[name][name]
        held = float(np.nanmean(values)) if np.isfinite(values).any() else float("nan")
        out[name] = {
            "name": KIND_NAMES[name],
            "unit": "rayleigh" if name in factors else summary.get("unit", "electron"),
            "factor": factor,
            "per_photon": float(telling.units[k]) if telling.scale == "absolute" else None,
            "light": factor * held,
            "noise": factor * noise[name],
            "inflation": float(telling.inflation[k]),
            "scale_error": float(np.hypot(curves, by_gain)),
            "sky_error": factor * sky[name],
            "noise_correlation": line_facts.correlation(telling, name, correlation),
        }
    return out


def _gain_error(noise: Mapping[str, Any]) -> float:
    """Part by which electrons of a stack may be off, as its gain may; 0 where light is in ADU or nothing tells it."""
    gain, error = noise.get("gain_e_per_adu"), noise.get("gain_error")
    return float(error / gain) if gain and error else 0.0
