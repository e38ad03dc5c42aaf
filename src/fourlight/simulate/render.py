"""From a scene to a folder of frames with the truth beside them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path

from fourlight.simulate.exposure import bias_frame, dark_frame, dark_settings, flat_frame, light_frame
from fourlight.simulate.folder import claim
from fourlight.simulate.frame_files import calibration_header, light_header, write_fits
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.scene import Scene
from fourlight.simulate.truth import write_truth
from fourlight.simulate.world import World, build_world

__all__ = ["simulate"]

Report = Callable[[str, int, int], None]

_MEMORY_PX = 6e7
"""Pixels that all workers together may hold; one worker needs about 40 bytes for each pixel of its frame."""


def simulate(scene: Scene, out: Path, report: Report | None = None) -> None:
    """Write all frames of a scene and its truth below ``out``.

    Parameters
    ----------
    scene : Scene
    out : Path
        New or empty folder, or one that holds this same scene (it is made again, with the same bytes).
    report : callable, optional
        Called with a word, the count done and the count in all: at the start and after each frame.

    Raises
    ------
    OutputError
        ``out`` holds something else, or cannot be written.
    """
    out = Path(out)
    claim(scene, out)
    plans = plan_lights(scene, throughput(scene))
    if report is not None:
        chosen = scene.calibration
        report("frames", 0, len(plans) + chosen.darks + chosen.flats + chosen.bias)
    world = build_world(scene, plans)
    write_truth(world, plans, out / "truth")
    _run(list(_jobs(world, plans, out)), _workers(scene), report)


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


def _jobs(world: World, plans: list[LightPlan], out: Path) -> Iterator[Callable[[], None]]:
    for plan in plans:
        yield partial(_write_light, world, plan, out / plan.name)
    chosen = world.scene.calibration
    for role, count in (("dark", chosen.darks), ("flat", chosen.flats), ("bias", chosen.bias)):
        for index in range(1, count + 1):
            yield partial(_write_calibration, world, role, index, out)


def _write_light(world: World, plan: LightPlan, path: Path) -> None:
    write_fits(path, light_frame(world, plan), light_header(world.scene, plan))


def _write_calibration(world: World, role: str, index: int, out: Path) -> None:
    scene = world.scene
    make = {"dark": dark_frame, "flat": flat_frame, "bias": bias_frame}[role]
    exposure, temperature = {
        "dark": dark_settings(scene),
        "flat": (scene.calibration.flat_exposure_s, scene.camera.temperature_c),
        "bias": (0.0, scene.camera.temperature_c),
    }[role]
    folder = {"dark": "darks", "flat": "flats", "bias": "bias"}[role]
    header = calibration_header(scene, role.upper(), exposure, temperature, index)
    write_fits(out / folder / f"{role}_{index:04d}.fits", make(world, index), header)
