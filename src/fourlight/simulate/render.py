"""From a scene to a folder of frames with the truth beside them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path

from fourlight.io.room import free_room
from fourlight.simulate.exposure import (
    bias_frame,
    dark_frame,
    dark_settings,
    flat_frame,
    flat_settings,
    light_frame,
)
from fourlight.simulate.folder import claim, finished, missing, record
from fourlight.simulate.frame_files import calibration_header, light_header, write_fits
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.scene import Scene
from fourlight.simulate.truth import write_truth
from fourlight.simulate.world import World, build_world

__all__ = ["needed_bytes", "simulate"]

Report = Callable[[str, int, int], None]

HEADER_BYTES = 12_000
"""Header of a frame, and what fills its last block of 2880 bytes up (FITS 4.0)."""
TRUTH_BYTES = 4 * 13
"""Per pixel: the object, the stars and the sharp object in four planes, and the sensitivity, as float32."""
OTHER_BYTES = 2_000_000
"""Headers, tables of stars and frames."""
_MEMORY_PX = 6e7
"""Pixels that all workers together may hold; one worker needs about 40 bytes for each pixel of its frame."""


def simulate(scene: Scene, out: Path, report: Report | None = None) -> bool:
    """Write all frames of a scene and its truth below ``out``.

    Parameters
    ----------
    scene : Scene
    out : Path
        New or empty folder, or one that holds this same scene: frames that are there stay, and what is missing is
        made.
    report : callable, optional
        Called with a word, the count done and the count in all: at the start and after each frame.

    Returns
    -------
    bool
        Whether anything was made; False where this version had made all of it before.

    Raises
    ------
    OutputError
        ``out`` holds something else, cannot be written, or its disk has too little room.
    """
    out = Path(out)
    plans = plan_lights(scene, throughput(scene))
    names = [plan.name for plan in plans] + [name for name, _, _ in _calibrations(scene)]
    absent = set(missing(out, names))
    if absent:
        free_room(out, needed_bytes(scene, len(absent)), "the frames and their truth")
    claim(scene, out)
    if finished(scene, out):
        return False
    if report is not None:
        report("frames", 0, len(absent))
    world = build_world(scene, plans)
    write_truth(world, plans, out / "truth")
    _run([job for name, job in _jobs(world, plans, out) if name in absent], _workers(scene), report)
    record(scene, out, names)
    return True


def needed_bytes(scene: Scene, frames: int) -> int:
    """Bytes that frames of 16 bits and the truth of a scene take at most."""
    pixels = scene.camera.width_px * scene.camera.height_px
    return frames * (2 * pixels + HEADER_BYTES) + TRUTH_BYTES * pixels + OTHER_BYTES


def _workers(scene: Scene) -> int:
    pixels = scene.camera.width_px * scene.camera.height_px
    return max(1, min(os.cpu_count() or 1, int(_MEMORY_PX / pixels), 8))


def _run(jobs: list[Callable[[], None]], workers: int, report: Report | None) -> None:
    pool = ThreadPoolExecutor(workers)
    try:
        for done, future in enumerate(as_completed([pool.submit(job) for job in jobs]), start=1):
            future.result()
            if report is not None:
                report("frames", done, len(jobs))
    finally:
        pool.shutdown(cancel_futures=True)


def _jobs(world: World, plans: list[LightPlan], out: Path) -> Iterator[tuple[str, Callable[[], None]]]:
    """Name of each frame, and what makes it."""
    for plan in plans:
        yield plan.name, partial(_write_light, world, plan, out / plan.name)
    for name, role, index in _calibrations(world.scene):
        yield name, partial(_write_calibration, world, role, index, out / name)


def _calibrations(scene: Scene) -> Iterator[tuple[str, str, int]]:
    """Name, role and number of each calibration frame."""
    chosen = scene.calibration
    darks = chosen.darks * max(1, len(chosen.dark_temperatures_c))
    flats = chosen.flats * max(1, len(chosen.flat_levels))
    for folder, role, count in (
        ("darks", "dark", darks), ("flats", "flat", flats), ("bias", "bias", chosen.bias),
    ):  # fmt: skip
        for index in range(1, count + 1):
            yield f"{folder}/{role}_{index:04d}.fits", role, index


def _write_light(world: World, plan: LightPlan, path: Path) -> None:
    write_fits(path, light_frame(world, plan), light_header(world.scene, plan))


def _write_calibration(world: World, role: str, index: int, path: Path) -> None:
    scene = world.scene
    make = {"dark": dark_frame, "flat": flat_frame, "bias": bias_frame}[role]
    exposure, temperature = 0.0, scene.camera.temperature_c
    if role == "dark":
        exposure, temperature = dark_settings(scene, index)
    elif role == "flat":
        exposure, _ = flat_settings(scene, index)
    header = calibration_header(scene, role.upper(), exposure, temperature, index)
    write_fits(path, make(world, index), header)
