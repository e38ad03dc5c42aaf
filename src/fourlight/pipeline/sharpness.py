"""Sharpness of the colours of a finished run: widths of stars in every light."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.trials import Trial
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.intervals import interval
from fourlight.pipeline.summary import arcsec_per_pixel
from fourlight.report.words import counted
from fourlight.stages.nights import left_out
from fourlight.stages.shared_places import zoom
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.width_cause import known_sky, width_cause
from fourlight.stages.width_ratio import DEFINITION
from fourlight.stages.widths import COLOURS, FrameWidths, LightSamples, measure_widths

__all__ = ["width_facts", "widths_in", "widths_of"]

Float64 = npt.NDArray[np.float64]


def widths_of(run: Finished) -> list[FrameWidths]:
    """Widths of the stars in every light, colour by colour, on its raw samples."""
    calibration, progress = run.calibration, run.job.progress
    progress.begin("widths", len(run.frames))

    def read(k: int) -> LightSamples:
        frame = run.frames[k].measured
        return LightSamples(
            calibration.open(frame.raw).read(0, frame.raw.ny, 0, frame.raw.nx),
            calibration.pattern_of(frame.raw),
            frame.noise,
            calibration.noise_of(frame.raw).unit == "electron",
            calibration.saturation_level(frame.raw),
        )

    found = measure_widths(run.frames, read, told=progress.step)
    stars = int(np.median([light.stars for light in found])) if found else 0
    progress.end(f"widths of {counted(stars, 'star')} in a typical light, colour by colour")
    return found


def widths_in(run: Finished, widths: Sequence[FrameWidths]) -> Float64:
    """(f, 5) FWHM of R, G1, G2, B, G in every light, pixels of the reference."""
    assert COLOURS == OUTPUT_PLANES
    scale = np.array([zoom(frame) for frame in run.frames])
    inside = np.array([light.fwhm_px for light in widths], dtype=np.float64)
    return np.asarray(inside.reshape(-1, len(COLOURS)) * scale[:, None])


def width_facts(run: Finished, widths: Sequence[FrameWidths]) -> dict[str, Any]:
    """``width``, ``ratios`` and ``cause`` of ``channels.json``."""
    scale = arcsec_per_pixel(run.reference)
    cause = width_cause(widths, known_sky(run.frames, scale))
    inside = np.log(widths_in(run, widths))

    def mean(use: npt.NDArray[np.bool_]) -> Float64:
        known = np.isfinite(inside[use])
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(known, inside[use], 0.0).sum(axis=0) / known.sum(axis=0))[:, None]

    trials = left_out(run.nights, np.isfinite(inside)[:, :, None], mean)
    return {
        "width": {colour: _width(trials[k][0], scale) for k, colour in enumerate(COLOURS)},
        "ratios": {
            f"{colour}_over_G": {
                **interval(ratio.trial), "lights": ratio.frames, "nights": ratio.nights, "scope": ratio.scope
            }
            for colour, ratio in cause.ratios.items()
        }
        | {"definition": DEFINITION},
        "cause": cause.statement,
    }  # fmt: skip


def _width(trial: Trial, scale: float | None) -> dict[str, Any]:
    """A width in pixels of the reference, and in arcseconds where the scale is known, from its logarithm."""
    size = interval(_exponential(trial))
    return {**size, "arcsec": None if scale is None else {key: scale * part for key, part in size.items()}}


def _exponential(trial: Trial) -> Trial:
    value, low, high = (float(np.exp(part)) for part in (trial.value, trial.low, trial.high))
    return Trial(value, low, high, trial.p, trial.error, trial.freedom)
