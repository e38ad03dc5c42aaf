"""New raw frames with added light, beside nothing that is raw: they lie in the folder of results of a what-if."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.added_light import by_chance, with_added_light
from fourlight.engine import in_order
from fourlight.frames import RawFrame
from fourlight.io.fits import narrowed
from fourlight.io.fits_writing import write_planes
from fourlight.io.pixels import PixelSource
from fourlight.io.room import free_room, writing
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.outputs import plain_text

__all__ = ["FOLDER", "MARK", "NewLight", "light_cards", "new_lights", "room_needed"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FOLDER = "lights"
MARK = "ADDLIGHT"
"""Card that says of a frame that light was added to it."""
BAND_ROWS = 256
HOLD_BYTES = 10
"""Per pixel of a light while it is made."""
HEADER_BYTES = 20_000


@dataclass(frozen=True, slots=True)
class NewLight:
    """A light that gets more light, and where it is written."""

    row: int
    """Of the table of the stack."""
    frame: RawFrame
    electrons: Float64
    """(4,) mean per sample of R, G1, G2, B."""
    path: Path
    seed: int


def room_needed(lights: Sequence[NewLight]) -> int:
    """Bytes of the new files at most: 16 bits a sample where the old ones are whole numbers, else 32."""
    return sum(
        light.frame.ny * light.frame.nx * (2 if light.frame.saturation_adu else 4) + HEADER_BYTES
        for light in lights
    )


def new_lights(run: Finished, lights: Sequence[NewLight]) -> None:
    """Write the lights; those that are there already are the same and stay.

    Raises
    ------
    OutputError
        There is no room, or the folder cannot be written to.
    """
    job = run.job
    missing = [light for light in lights if not light.path.exists()]
    job.progress.begin("added light", len(lights))
    if not missing:
        job.progress.end(f"{len(lights)} lights with added light are there already")
        return
    folder = missing[0].path.parent
    needed = room_needed(missing)
    free_room(folder, needed, f"{len(missing)} lights with added light")
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)

    def work(light: NewLight) -> None:
        _write(run, light)
        job.progress.step()

    pixels = max(light.frame.ny * light.frame.nx for light in missing)
    for _ in in_order(work, missing, job.at_once(HOLD_BYTES * pixels)):
        pass
    job.progress.end(f"{len(missing)} lights written, {needed / 1e6:,.0f} MB, raw frames untouched")


def _write(run: Finished, light: NewLight) -> None:
    frame = light.frame
    noise, source = run.calibration.noise_of(frame), run.calibration.open(frame)
    # rows that a cut transfer left blank stay as they are, to be found again
    raw = run.job.source(replace(frame, blank_rows=()))
    settings = run.job.recipe.read
    full = settings.saturation_adu or frame.saturation_adu or np.inf
    rng = np.random.default_rng(light.seed)
    gain = noise.gain_e_per_adu
    assert gain
    mean = light.electrons[run.table.cell[light.row]]
    chance = by_chance(float(light.electrons.min()), gain, noise.step_adu)
    out = np.empty((frame.ny, frame.nx), dtype=np.float32)
    for y0 in range(0, frame.ny, BAND_ROWS):
        y1 = min(y0 + BAND_ROWS, frame.ny)
        response = source.response(y0, y1, 0, frame.nx)
        even = np.tile(mean, (-(-(y1 - y0) // 2), -(-frame.nx // 2)))[: y1 - y0, : frame.nx]
        out[y0:y1] = with_added_light(
            _band(raw, y0, y1), even * _seen(response), gain, noise.step_adu, full, rng, chance=chance
        )
    for first, end in frame.blank_rows:
        out[first:end] = raw.read(first, end, 0, frame.nx)
    write_planes(light.path, light_cards(frame, light.electrons), [("LIGHT", narrowed(out), {})])


def _band(raw: PixelSource, y0: int, y1: int) -> Float32:
    return raw.read(y0, y1, 0, raw.shape[1])


def _seen(response: Float32) -> Float64 | float:
    """Response of samples to light; 1 where no flat tells it, and at defects, which are left out later."""
    if not response.size:
        return 1.0
    return np.maximum(np.nan_to_num(response.astype(np.float64), nan=1.0), 0.0)


def light_cards(frame: RawFrame, electrons: Float64) -> dict[str, tuple[Any, str]]:
    """Cards that say of a new frame what is known of the old one, and what was added."""
    aperture = frame.aperture_mm
    told: list[tuple[str, Any, str]] = [
        ("IMAGETYP", "LIGHT", "kind of frame"),
        ("EXPTIME", frame.exposure_s, "[s] exposure"),
        ("DATE-OBS", frame.time.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] if frame.time else None, "start, UTC"),
        ("TIMESYS", None if frame.zone_known else "LOCAL", "a clock of unknown zone, read as UTC"),
        ("CCD-TEMP", frame.temperature_c, "[deg C] sensor temperature"),
        ("GAINSET", frame.gain_setting, "gain setting"),
        ("OFFSET", frame.offset_setting, "offset setting"),
        ("EGAIN", frame.gain_e_per_adu, "[e/ADU] gain"),
        ("RDNOISE", frame.read_noise_e, "[electron] read noise"),
        ("PEDESTAL", frame.black_adu, "level of no light"),
        ("SATURATE", frame.saturation_adu, "level of a full sample"),
        ("BAYERPAT", frame.mosaic, "mosaic from the first stored sample"),
        ("ROWORDER", "TOP-DOWN" if frame.mosaic else None, "first stored row is the top"),
        ("XBINNING", frame.binning, "binning"),
        ("XPIXSZ", frame.pixel_um, "[um] pixel size"),
        ("FOCALLEN", frame.focal_mm, "[mm] focal length"),
        ("APTDIA", aperture, "[mm] aperture"),
        ("FILTER", frame.filter_name, "filter"),
        ("INSTRUME", frame.camera, "camera"),
        ("OBJECT", frame.object_name, "object"),
        ("RA", frame.ra_deg, "[deg] right ascension"),
        ("DEC", frame.dec_deg, "[deg] declination"),
        ("SITELAT", frame.latitude_deg, "[deg] latitude"),
        ("SITELONG", frame.longitude_deg, "[deg] longitude east"),
        (MARK, True, "light was added by calculation"),
        *((f"ADDED_{name}", round(float(value), 4), "[electron] mean per sample")
          for name, value in zip(("R", "G1", "G2", "B"), electrons, strict=True)),
    ]  # fmt: skip
    return {
        name: (plain_text(value) if isinstance(value, str) else value, said)
        for name, value, said in told
        if value is not None
    }
