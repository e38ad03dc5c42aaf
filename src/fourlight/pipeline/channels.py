"""What every channel did, put together as ``channels.json`` holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour
from fourlight.core.cfa import COLOURS
from fourlight.core.trials import Trial
from fourlight.pipeline.fineness import resolution_of
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.intervals import interval
from fourlight.pipeline.outputs import plain_data
from fourlight.pipeline.sharpness import width_facts
from fourlight.report.contributions import region_name
from fourlight.report.words import listed
from fourlight.stages import channel_shares, contributions
from fourlight.stages.canvas import bands, some
from fourlight.stages.common_light import common_structure, crosstalk
from fourlight.stages.contributions import Ledger
from fourlight.stages.fineness import UNDITHERED, steps
from fourlight.stages.nights import FRAMES, NIGHTS, parts_of
from fourlight.stages.regions import Box, Regions
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.widths import FrameWidths

__all__ = ["OBJECT_OVER_STARS", "channels_of"]

Float64 = npt.NDArray[np.float64]

OBJECT_OVER_STARS = "object_over_stars"
"""Stands among regions in ``light``, so that no region can have this name."""


def channels_of(
    run: Finished, found: Regions, ledger: Ledger, widths: Sequence[FrameWidths], boxes: Mapping[str, Box]
) -> dict[str, Any]:
    """What every channel did, as ``channels.json`` holds it.

    Parameters
    ----------
    run : Finished
    found : Regions
    ledger : Ledger
        Light and noise of the regions.
    widths : sequence of FrameWidths
        Of every light.
    boxes : mapping of str to Box
        Those of the regions that the user named.
    """
    progress = run.job.progress
    progress.begin("channels", 2 + steps(run.table.shape))
    balance = _balance(run)
    shares = channel_shares.shares(ledger, run.nights, balance)
    progress.step()
    resolution = resolution_of(run)
    dithered = any(not (facts["reason"] or "").startswith(UNDITHERED) for facts in resolution.values())
    common = _common(run, found)
    progress.step()
    progress.end(_words(shares))
    parts = [parts_of(run.nights, each) for each in contributions.brought(ledger).T]
    parts = parts or [parts_of(run.nights)]
    return dict(
        plain_data(
            {
                "lights": len(run.frames),
                "nights": min(len(part.nights) for part in parts),
                "scope": NIGHTS if all(part.scope == NIGHTS for part in parts) else FRAMES,
                "regions": _regions(run, found, ledger, boxes),
                "balance": {
                    "factors": dict(zip(COLOURS, balance.factors.tolist(), strict=True)),
                    "error": dict(zip(COLOURS, np.sqrt(np.diag(balance.covariance)).tolist(), strict=True)),
                    "stars": balance.count,
                },
                "shares": _known_shares(shares, run, dithered=dithered),
                "light": _light(ledger, run.nights),
                "common": common,
                "measured": _measured(run),
                **width_facts(run, widths),
                "resolution": resolution,
                "notes": _notes(run, found, ledger, dithered=dithered),
            }
        )
    )


def _balance(run: Finished) -> starcolour.Balance:
    """What makes white equal in R, G and B."""
    stars = run.stars
    planes, variances = ([run.layers.read(c, name) for c in COLOURS] for name in ("value", "variance"))
    light = starcolour.colour_light(planes, variances, stars.x, stars.y, stars.usual_fwhm_px)
    noise = np.array([float(np.nanmedian(some(variance))) for variance in variances])
    return starcolour.white_balance(light, ~stars.saturated, noise)


def _regions(run: Finished, found: Regions, ledger: Ledger, boxes: Mapping[str, Box]) -> dict[str, Any]:
    total = int(np.count_nonzero(np.isfinite(run.layers.read("G", "value"))))
    parts = [parts_of(run.nights, each) for each in contributions.brought(ledger).T]
    noise = np.sqrt(contributions.believed(ledger))
    return {
        name: {
            "pixels": int(found.pixels[r]),
            "share_of_stack": float(found.pixels[r]) / max(total, 1),
            "box": list(boxes[name]) if name in boxes else None,
            "nights": len(parts[r].nights),
            "scope": parts[r].scope,
            "signal": dict(zip(OUTPUT_PLANES, found.signal[r].tolist(), strict=True)),
            "shared_error": _shared_error(found, ledger, r, run.table.zoom),
            "noise_over_model": dict(zip(OUTPUT_PLANES[:4], noise[:, r].tolist(), strict=True)),
        }
        for r, name in enumerate(found.names)
    }


def _shared_error(found: Regions, ledger: Ledger, r: int, zoom: float) -> dict[str, float] | None:
    """Standard error of the light of a region per pixel of the stack, by what all lights have in common.

    None where too little is known of it.
    """
    if found.shared is None or ledger.shared is None or not np.isfinite(found.shared[r]).all():
        return None
    error = np.sqrt(np.maximum(np.diagonal(ledger.shared[r]), 0.0)) / zoom**2
    return dict(zip(OUTPUT_PLANES[:4], error.tolist(), strict=True))


def _known_shares(
    shares: Mapping[str, Mapping[str, Mapping[str, Trial]]], run: Finished, *, dithered: bool
) -> dict[str, dict[str, dict[str, Any]]]:
    """As plain data; nothing is said of the light of the sky where the level of no light was not measured.

    Nor of fine detail of the sky, which has none, or of lights that were not dithered: their halves share the holes.
    """
    dark_known = run.calibration.noise.pedestal_known
    return {
        kind: {
            region: {channel: interval(trial, 0.0, 1.0) for channel, trial in found.items()}
            for region, found in by_region.items()
            if region != "sky" or (kind != "detail" and dark_known)
        }
        for kind, by_region in shares.items()
        if kind != "detail" or dithered
    }


def _light(ledger: Ledger, nights: Sequence[str | None]) -> dict[str, Any]:
    """Ratios of light in each region, and in that of the object over that of the stars, whose light is continuous."""
    out: dict[str, Any] = {
        region: {name: interval(trial, 0.0) for name, trial in trials.items()}
        for region, trials in contributions.ratios(ledger, nights).items()
        if region != "sky"
    }
    if {"object", "stars"} <= set(ledger.names):
        over = contributions.colour_over(ledger, nights, "object", "stars")
        out[OBJECT_OVER_STARS] = {name: interval(trial, 0.0) for name, trial in over.items()}
    return out


def _common(run: Finished, found: Regions) -> dict[str, Any]:
    """What green shows that red and blue show too, and what filters pass of each other's light."""
    return {
        "structure_of_green": {
            region: {others: interval(trial, 0.0, 1.0) for others, trial in trials.items()}
            for region, trials in common_structure(run.layers.read, found).items()
        },
        "response_where_another_leads": {c: list(ends) for c, ends in crosstalk().items()},
    }


def _measured(run: Finished) -> dict[str, Any]:
    """How much of each channel was measured: in a frame that is filled in, and in this stack."""
    samples = {plane: some(run.layers.read(plane, "samples")) for plane in OUTPUT_PLANES}
    return {
        "in_one_frame": {"R": 0.25, "G": 0.5, "B": 0.25},
        "samples_per_pixel": {
            plane: float(np.median(held[np.isfinite(held)])) if np.isfinite(held).any() else 0.0
            for plane, held in samples.items()
        },
        "pixels_without": {plane: _empty(run.layers.read(plane, "value")) for plane in OUTPUT_PLANES},
    }


def _empty(value: npt.NDArray[np.float32]) -> int:
    """Pixels of a plane that no sample reaches, and that have no value."""
    return sum(int(np.count_nonzero(~np.isfinite(value[rows]))) for rows in bands(value.shape))


def _notes(run: Finished, found: Regions, ledger: Ledger, *, dithered: bool) -> list[str]:
    if not found.names:
        return ["No pixel of the stack has red, green and blue samples: nothing is told of shares."]
    notes = [
        f"Nothing is told of the {name}: no sample of {', '.join(planes)} there lies between pixels of both halves."
        for name, planes in _missing(ledger)
    ]
    notes += _unlike_greens(ledger, run.nights)
    if found.shared is not None and not np.isfinite(found.shared).all():
        notes.append(
            "Too little of the stack is empty sky to tell how far the sky under the regions is off: intervals do not "
            "hold that."
        )
    if "object" not in found.names:
        notes.append("No extended object stands out of the sky: shares are told for stars and sky alone.")
    if not run.calibration.noise.pedestal_known and "sky" in found.names:
        notes.append(
            "Nothing is told of the light of the sky: the level of no light is not measured. Bias frames or darks "
            "would tell, or --set read.black_adu=LEVEL."
        )
    if not dithered:
        notes.append(
            "Nothing is told of fine detail: the lights are not dithered, so that both halves fill the same holes."
        )
        notes.append(
            "What lights that are not dithered have in common, patterns of the sensor and samples that fall on the "
            "same places in all of them, is in all shares. Intervals hold as much of it as both greens disagree about "
            "(`shared_error`), and not what would be wrong in both greens alike."
        )
    if found.filled:
        notes.append(
            "Faint light fills the field: its darkest parts are taken for the sky, so that light which covers all "
            "of it counts as sky."
        )
    return notes


def _unlike_greens(ledger: Ledger, nights: Sequence[str | None]) -> list[str]:
    """That both greens, which see the same light, differ by more than their interval."""
    known = contributions.ratios(ledger, nights)
    found = {name: known[name]["G1_over_G2"] for name in ledger.names if name != "sky"}
    apart = [
        f"{100 * abs(trial.value - 1):.1f} % in {region_name(name)}"
        for name, trial in found.items()
        if trial.low > 1 or trial.high < 1
    ]
    if not apart:
        return []
    said = f"G1 and G2 see the same light, and differ by {listed(apart)}, more than their intervals allow"
    shared = "what all lights share may be off by as much (sky under the object, patterns of the sensor)"
    return [f"{said}: {shared}, in red and blue too."]


def _missing(ledger: Ledger) -> list[tuple[str, list[str]]]:
    """Regions in which planes have no sample that could be looked at, and which."""
    counted = np.isfinite(contributions.light(ledger, np.ones(len(ledger.away), dtype=np.bool_)))
    missing = [[OUTPUT_PLANES[k] for k in np.flatnonzero(~counted[:, r])] for r in range(counted.shape[1])]
    return [(name, planes) for name, planes in zip(ledger.names, missing, strict=True) if planes]


def _words(shares: Mapping[str, Mapping[str, Mapping[str, Trial]]]) -> str:
    """The chief finding in words."""
    by_region = shares["information"]
    region = "object" if "object" in by_region else "stars"
    if region not in by_region:
        return "nothing stands out of the sky"
    known = {c: by_region[region][c].value for c in COLOURS}
    if not np.isfinite(list(known.values())).all():
        return f"information on the {region} is not known"
    parts = ", ".join(f"{c} {100 * value:.1f} %" for c, value in known.items())
    return f"information on the {region}: {parts}"
