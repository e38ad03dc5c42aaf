"""From a scene to a folder of frames with the truth beside them."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from fourlight.errors import OutputError
from fourlight.simulate.detector import detector
from fourlight.simulate.emission import emission
from fourlight.simulate.exposure import (
    World,
    bias_frame,
    dark_frame,
    dark_settings,
    flat_frame,
    light_frame,
)
from fourlight.simulate.frame_files import calibration_header, light_header, write_fits
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.psf import Profile
from fourlight.simulate.scene import Scene
from fourlight.simulate.starfield import star_field
from fourlight.simulate.truth import write_truth

__all__ = ["build_world", "simulate"]

Report = Callable[[str, int, int], None]
Job = tuple[Path, Callable[[], tuple[npt.NDArray[np.uint16], fits.Header]]]


def simulate(scene: Scene, out: Path, report: Report | None = None) -> None:
    """Write all frames of a scene and its truth below ``out``.

    Parameters
    ----------
    scene : Scene
    out : Path
        New or empty folder, or one that holds this same scene (it is made again, with the same bytes).
    report : callable, optional
        Called with a word, the count done and the count in all, after each frame.

    Raises
    ------
    OutputError
        ``out`` holds something else, or cannot be written.
    """
    out = Path(out)
    _claim(scene, out)
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    jobs = list(_jobs(world, plans, out))
    write_truth(world, plans, out / "truth")
    workers = max(1, min(os.cpu_count() or 1, 4))
    with ThreadPoolExecutor(workers) as pool:
        for done, _ in enumerate(pool.map(_make, jobs), start=1):
            if report is not None:
                report("frames", done, len(jobs))


def build_world(scene: Scene, plans: list[LightPlan] | None = None) -> World:
    """Everything that the exposures share: object, stars and sensor, over the area that the frames cover."""
    light = throughput(scene)
    plans = plan_lights(scene, light) if plans is None else plans
    shapes = emission(scene, light, _box(scene, plans))
    stars = star_field(scene, light, shapes)
    beta = scene.optics.moffat_beta if scene.optics.profile == "moffat" else 0.0
    return World(scene, light, shapes, stars, detector(scene), Profile(beta))


def _box(scene: Scene, plans: list[LightPlan]) -> tuple[int, int, int, int]:
    """Corner and size of the part of the truth grid that holds all frames and a margin for the point spread."""
    nx, ny = scene.camera.width_px, scene.camera.height_px
    corners = np.array([[0, 0, 1], [nx, 0, 1], [0, ny, 1], [nx, ny, 1]], dtype=float)
    points = np.concatenate([corners @ plan.matrix.T for plan in plans] + [corners[:, :2]])
    widest = max(float(np.hypot(plan.fwhm_px.max(), plan.smear_px)) for plan in plans)
    margin = 8.0 + 4.0 * widest
    x0, y0 = (int(value) for value in np.floor(points.min(axis=0) - margin))
    x1, y1 = np.ceil(points.max(axis=0) + margin)
    return x0, y0, _fast(int(x1) - x0), _fast(int(y1) - y0)


def _fast(size: int) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(size, real=True))


def _jobs(world: World, plans: list[LightPlan], out: Path) -> Iterator[Job]:
    scene, chosen = world.scene, world.scene.calibration
    for plan in plans:
        yield out / plan.name, lambda plan=plan: (light_frame(world, plan), light_header(scene, plan))
    dark_s, dark_c = dark_settings(scene)
    light_c = scene.camera.temperature_c
    for role, count, make, exposure, temperature in (
        ("DARK", chosen.darks, dark_frame, dark_s, dark_c),
        ("FLAT", chosen.flats, flat_frame, chosen.flat_exposure_s, light_c),
        ("BIAS", chosen.bias, bias_frame, 0.0, light_c),
    ):
        folder = {"DARK": "darks", "FLAT": "flats", "BIAS": "bias"}[role]
        for k in range(1, count + 1):
            header = calibration_header(scene, role, exposure, temperature, k)
            path = out / folder / f"{role.lower()}_{k:04d}.fits"
            yield path, lambda make=make, k=k, header=header: (make(world, k), header)


def _make(job: Job) -> None:
    path, work = job
    frame, header = work()
    write_fits(path, frame, header)


def _claim(scene: Scene, out: Path) -> None:
    """Make the folder ours, or refuse it."""
    note = out / "README.txt"
    text = _readme(scene)
    try:
        if out.exists() and any(out.iterdir()) and (not note.is_file() or note.read_text("utf-8") != text):
            raise OutputError(
                f"{out}: holds something other than this scene; needed is a new or empty folder: choose another"
            )
        out.mkdir(parents=True, exist_ok=True)
        note.write_text(text, encoding="utf-8")
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"{out}: cannot be used as output folder ({error.strerror or error})") from None


def _readme(scene: Scene) -> str:
    mark = hashlib.sha256(scene.model_dump_json().encode()).hexdigest()
    return (
        f"Simulated frames of {scene.object.name}, an invented object. No telescope has seen it.\n\n"
        "night1/, night2/ ...   raw mosaic frames\n"
        "darks/ flats/ bias/    calibration frames, where the scene asks for them\n"
        "truth/truth.fits       what was put in: R, G1, G2, B without stars; *_STARS stars alone; *_SHARP no blur\n"
        "truth/truth.json       per frame: matrix to the truth grid, sky, transparency, widths, faults; the scene\n"
        "truth/stars.csv        positions and electrons of the stars\n\n"
        f"scene {mark}\n"
    )
