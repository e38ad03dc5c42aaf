"""What every channel did, put together as ``channels.json`` holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour
from fourlight.core.trials import Trial
from fourlight.pipeline.fineness import resolution_of
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.intervals import interval
from fourlight.pipeline.outputs import plain_data
from fourlight.pipeline.sharpness import width_facts
from fourlight.stages import channel_shares, contributions
from fourlight.stages.canvas import some
from fourlight.stages.common_light import common_structure, crosstalk
from fourlight.stages.contributions import Ledger
from fourlight.stages.fineness import UNDITHERED
from fourlight.stages.nights import FRAMES, NIGHTS, parts_of
from fourlight.stages.regions import Box, Regions
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.widths import FrameWidths

__all__ = ["OBJECT_OVER_STARS", "channels_of"]

Float64 = npt.NDArray[np.float64]

COLOURS = ("R", "G", "B")
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
    run.job.progress.begin("channels", 2)
    balance = _balance(run)
    shares = channel_shares.shares(ledger, run.nights, balance)
    run.job.progress.step()
    resolution = resolution_of(run)
    dithered = any(not (facts["reason"] or "").startswith(UNDITHERED) for facts in resolution.values())
    run.job.progress.end(_words(shares))
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
                "common": _common(run, found),
                "measured": _measured(run),
                **width_facts(run, widths),
                "resolution": resolution,
                "notes": _notes(found, ledger, dithered=dithered),
            }
        )
    )


def _balance(run: Finished) -> starcolour.Balance:
    """What makes white equal in R, G and B."""
    stars = run.stars
    planes, variances = ([run.layers.read(c, name) for c in COLOURS] for name in ("value", "variance"))
    widths = stars.fwhm_px[np.isfinite(stars.fwhm_px)]
    radius = max(2.0, 1.4 * float(np.median(widths))) if len(widths) else 4.0
    light = starcolour.star_light(planes, variances, stars.x, stars.y, radius)
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
            "noise_over_model": dict(zip(OUTPUT_PLANES[:4], noise[:, r].tolist(), strict=True)),
        }
        for r, name in enumerate(found.names)
    }


def _known_shares(
    shares: Mapping[str, Mapping[str, Mapping[str, Trial]]], run: Finished, *, dithered: bool
) -> dict[str, dict[str, dict[str, Any]]]:
    """As plain data; nothing is said of the light of the sky where the level of no light is not known.

    Nor of fine detail of the sky, which has none, or of lights that were not dithered: their halves share the holes.
    """
    dark_known = run.calibration.noise.pedestal_adu is not None
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
    }


def _notes(found: Regions, ledger: Ledger, *, dithered: bool) -> list[str]:
    if not found.names:
        return ["No pixel of the stack has red, green and blue samples: nothing is told of shares."]
    notes = [
        f"Nothing is told of the {name}: no sample of {', '.join(planes)} there lies between pixels of both halves."
        for name, planes in _missing(ledger)
    ]
    if "object" not in found.names:
        notes.append("No extended object stands out of the sky: shares are told for stars and sky alone.")
    if not dithered:
        notes.append(
            "Nothing is told of fine detail: the lights are not dithered, so that both halves fill the same holes."
        )
    if found.filled:
        notes.append(
            "Faint light fills the field: its darkest parts are taken for the sky, so that light which covers all "
            "of it counts as sky."
        )
    return notes


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
