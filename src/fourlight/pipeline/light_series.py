"""What each light of a finished stack brought, and what other treatments of the lights made: the ground of claims."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.estimates import estimate_of
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.sharpness import widths_in
from fourlight.report.calibration import darkened
from fourlight.report.words import counted
from fourlight.sky.moon import lit_share, moon_altitudes
from fourlight.stages import channel_shares, contributions, treatments
from fourlight.stages.contributions import Ledger
from fourlight.stages.geometry import Tile, padded_pixels
from fourlight.stages.master_noise import with_flat_noise, with_offset_noise
from fourlight.stages.nights import NIGHTS, left_out, parts_of
from fourlight.stages.patch_places import places_of
from fourlight.stages.regions import Regions
from fourlight.stages.series import Known, Series
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.tile_samples import Reader
from fourlight.stages.treatments import Ground
from fourlight.stages.width_ratio import METHOD, width_ratio
from fourlight.stages.widths import FrameWidths

__all__ = ["light_series", "treated"]

Float64 = npt.NDArray[np.float64]


def light_series(
    run: Finished, ledger: Ledger, widths: Sequence[FrameWidths], patches: Mapping[str, Mapping[str, Float64]],
    absent: Mapping[str, str],
) -> Series:  # fmt: skip
    """Facts and values of the lights, in order of time.

    Parameters
    ----------
    run : Finished
    ledger : Ledger
        Of its regions; the object tells the signal, without one the stars.
    widths : sequence of FrameWidths
        Of every light.
    patches, absent
        From `treated`.
    """
    raw = [frame.measured.raw for frame in run.frames]
    times = [_middle(frame.time, frame.exposure_s) for frame in raw]
    sites = [
        (f.latitude_deg, f.longitude_deg)
        for f in raw
        if f.latitude_deg is not None and f.longitude_deg is not None
    ]
    return Series(
        files=tuple(frame.path.name for frame in raw),
        nights=tuple(frame.night or "" for frame in raw),
        time_s=_seconds(times),
        exposure_s=_numbers([frame.exposure_s for frame in raw]),
        temperature_c=_numbers([frame.temperature_c for frame in raw]),
        halves=tuple("AB"[half] for half in run.table.half.tolist()),
        moon_lit=_where_known(times, lit_share),
        moon_altitude_deg=_altitudes(times, sites),
        values=_values(run, ledger, widths_in(run, widths)),
        common=_common(run, ledger),
        known=_shares(run, ledger) | _ratios(run, widths),
        patches=patches,
        absent=absent,
    )


def _middle(start: datetime | None, exposure_s: float | None) -> datetime | None:
    return None if start is None else start + timedelta(seconds=(exposure_s or 0.0) / 2)


def _seconds(times: list[datetime | None]) -> Float64:
    """Seconds from the first light on; where one has no time, only the order is known."""
    known = [moment for moment in times if moment is not None]
    if len(known) < len(times):
        return np.arange(len(times), dtype=np.float64)
    return np.maximum.accumulate([(moment - known[0]).total_seconds() for moment in known])


def _altitudes(times: list[datetime | None], sites: list[tuple[float, float]]) -> Float64:
    if not sites:
        return np.full(len(times), np.nan)
    latitude, longitude = sites[0]
    return _where_known(times, lambda given: moon_altitudes(given, latitude, longitude))


def _numbers(values: list[float | None]) -> Float64:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _where_known(times: list[datetime | None], of: Callable[[list[datetime]], Float64]) -> Float64:
    out = np.full(len(times), np.nan)
    there = [k for k, moment in enumerate(times) if moment is not None]
    out[there] = of([moment for moment in times if moment is not None])
    return out


def _region(ledger: Ledger) -> int | None:
    """The region whose light is told."""
    chosen = [name for name in ("object", "stars") if name in ledger.names]
    return ledger.names.index(chosen[0]) if chosen else None


def _values(run: Finished, ledger: Ledger, widths: Float64) -> dict[str, Float64]:
    """(n, 5) by quantity, in the unit of the samples of each light."""
    table, frames = run.table, [frame.measured for frame in run.frames]
    exposure = np.array([frame.raw.exposure_s or 1.0 for frame in frames])[:, None]
    reference = run.reference.raw.exposure_s or 1.0
    area = np.abs(np.linalg.det(table.matrix[:, :, :2]))[:, None] / table.zoom**2
    values = {
        "sky": _mean_green(np.array([frame.sky for frame in frames]) / exposure),
        "transparency": _mean_green(table.scale / (area * exposure / reference)),
        "weight": _with_green(table.density / table.density.max(), np.add),
        "width_px": widths,
    }
    region = _region(ledger)
    if region is None:
        return values
    light = ledger.signal[region] + np.nan_to_num(ledger.away[:, :, region])
    seen = np.nan_to_num(contributions.believed(ledger)[:, region], nan=1.0)
    variance = ledger.variance[:, :, region] * seen
    certain = contributions.PER_CELL * np.maximum(ledger.signal[region], 0.0) ** 2 / variance
    return values | {
        "signal": _mean_green(light * table.scale),
        "noise": _mean_green(np.sqrt(variance) * table.scale),
        "information": _with_green(certain, np.add),
    }


def _common(run: Finished, ledger: Ledger) -> dict[str, Float64]:
    """(5,) relative error that the information of all lights has in common: that of the signal of the stack.

    What the method may be wrong by in a ratio of widths is shared out between the two planes.
    """
    method = {"width_px": np.full(len(OUTPUT_PLANES), METHOD / np.sqrt(2.0))}
    region = _region(ledger)
    if region is None:
        return method
    trials = left_out(
        run.nights, contributions.brought(ledger)[:, None], partial(contributions.light, ledger)
    )
    with np.errstate(invalid="ignore"):
        error = np.array([row[region].error for row in trials])
        if ledger.shared is not None:
            error = np.hypot(error, np.sqrt(np.diagonal(ledger.shared[region])))
        error = error / np.maximum(ledger.signal[region], 1e-30)
    planes = np.where(np.isfinite(error), error, 1.0)
    light = np.append(planes, float(np.hypot(planes[1], planes[2])) / 2)
    return {"information": 2 * light, "signal": light, **method}


def _shares(run: Finished, ledger: Ledger) -> dict[tuple[str, str, str, str], Known]:
    """Shares of the information as ``channels.json`` has them."""
    region = _region(ledger)
    if region is None:
        return {}
    trials = channel_shares.information(ledger, run.nights)[ledger.names[region]]
    of = {"R": "R+G+B", "G": "R+G+B", "B": "R+G+B", "G1": "R+G1+G2+B", "G2": "R+G1+G2+B"}
    held = contributions.brought(ledger)[:, region]
    parts = parts_of(run.nights, held)
    number = len(parts.nights) if parts.scope == NIGHTS else int(np.count_nonzero(held))
    return {
        ("information", "share", plane, whole): Known(
            estimate_of(trials[plane], number), parts.scope, memory=True
        )
        for plane, whole in of.items()
    }


def _ratios(run: Finished, widths: Sequence[FrameWidths]) -> dict[tuple[str, str, str, str], Known]:
    """Widths over that in green as ``channels.json`` has them."""
    found = {}
    for colour in ("R", "B"):
        ratio = width_ratio(widths, colour, nights=run.nights)
        with np.errstate(invalid="ignore", divide="ignore"):
            ends = np.log([ratio.trial.value, ratio.trial.low, ratio.trial.high]).tolist()
        told = replace(ratio.trial, value=ends[0], low=ends[1], high=ends[2])
        number = ratio.nights if ratio.scope == NIGHTS else ratio.frames
        found["width_px", "ratio", colour, "G"] = Known(estimate_of(told, number), ratio.scope)
    return found


def _with_green(planes: Float64, joined: Callable[[Float64, Float64], Float64]) -> Float64:
    """(n, 4) planes with what both greens give together."""
    return np.column_stack([planes, joined(planes[:, 1], planes[:, 2])])


def _mean_green(planes: Float64) -> Float64:
    return _with_green(planes, lambda one, other: (one + other) / 2)


def treated(run: Finished, found: Regions) -> tuple[dict[str, dict[str, Float64]], dict[str, str]]:
    """What other treatments of the lights make of parts of the stack, and why some cannot be made.

    ``found`` tells the sky under the object.
    """
    table, job = run.table, run.job
    bare, absent = _bare(run)
    kinds, others = treatments.treatments(table, run.samples.read, bare, job.recipe.integrate.grid)
    ground = Ground(_noisy(run), lambda tile: _sky(found, tile))
    places = places_of(table.shape)
    job.progress.begin("treatments", len(places) * (len(kinds) + len(ground.noisy)))
    # where lights are read some at a time, fewer of them may all be read at once
    each = max(run.way.pixel_bytes(kind.table) for kind in kinds.values())
    largest = padded_pixels([place.tile for place in places])
    threads = job.at_once(each * largest)
    made = treatments.made(kinds, ground, job.recipe.integrate, run.way, places, threads, job.progress.step)
    others_made = counted(len(kinds) - 1, "other way")
    patches = counted(sum(len(p.patches) for p in places), "patch", "patches")
    job.progress.end(f"{patches} of the stack made in {others_made}")
    return made, absent | others


def _bare(run: Finished) -> tuple[dict[str, tuple[str, Reader]], dict[str, str]]:
    """Samples without darks, and without flats, where lights had them."""
    said, sources = run.calibration.description, run.samples.sources
    bare: dict[str, tuple[str, Reader]] = {}
    absent: dict[str, str] = {}
    if darkened(said["offset_taken_off"]):
        bare["no darks"] = "offset", lambda f, *box: sources[f].without_offset(*box)
    else:
        absent["no darks"] = (
            "none were taken off the lights, so that it cannot be told what they would change"
        )
    if said["lights_with_flat"]:
        bare["no flats"] = "flat", lambda f, *box: sources[f].without_flat(*box)
    else:
        absent["no flats"] = (
            "the lights were not divided by any, so that it cannot be told what they would change"
        )
    return bare, absent


def _noisy(run: Finished) -> dict[str, Reader]:
    """Samples with the noise of their masters laid over them once more, for masters that have any."""
    sources = run.samples.sources
    pairs = [run.calibration.noise_of_masters(frame.measured.raw) for frame in run.frames]
    readers: dict[str, Reader] = {
        "offset": lambda f, *box: with_offset_noise(sources[f], pairs[f][0], *box),
        "flat": lambda f, *box: with_flat_noise(sources[f], pairs[f][1], *box),
    }
    return {
        name: readers[name] for k, name in enumerate(readers) if any(pair[k].sigma.any() for pair in pairs)
    }


def _sky(found: Regions, tile: Tile) -> Float64:
    """(5,) mean sky of the stack in a part of it."""
    part = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
    return np.array([float(found.sky[plane].image(part).mean()) for plane in OUTPUT_PLANES])
