"""Cases about what is sharp: stars low in the sky, full stars, faint trails, rejected star light, seams of tiles."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from limit_cases import Line, Made, made
from limit_scenes import scene_of
from scipy.ndimage import maximum_filter, minimum_filter
from sharpness import expected, measure

from fourlight.core import maps
from fourlight.stages import geometry

__all__ = ["full", "low", "rejection", "seams", "trails"]

Float64 = npt.NDArray[np.float64]

SHARP = "seeing_scatter = 0.0\nseeing_arcsec = 2.6"
FIELD = {"kind": "none", "stars": 420, "brightest": 10.5}
LOW = f"count = 20\nzenith_deg = 65.0\nzenith_angle_deg = 35.0\nzenith_turn_deg = 40.0\n{SHARP}"


def low() -> Iterator[Line]:
    """Stars at 25 degrees altitude, with and without taking out dispersion."""
    scene = scene_of(LOW, seed=71, camera="full_well_e = 4e6\n", **FIELD)
    fringes = {}
    with tempfile.TemporaryDirectory() as folder:
        for align in ("true", "false"):
            with made(scene, f"registration.align_planes={align}", folder=Path(folder)) as found:
                name = Path(found.truth.reference["file"])
                stars = measure(found.stack, expected(scene, Path(folder) / "nights" / name), found.summary)
            fringes[align] = [100 * stars[plane]["fringe"] for plane in "RB"]
    words = {key: " / ".join(f"{value:.2f}" for value in values) for key, values in fringes.items()}
    yield Line(
        "20 lights at 25 degrees altitude: fringe R / B, per cent of the peak", "<= 1.5",
        f"{words['true']} (left as it is: {words['false']})", max(fringes["true"]) <= 1.5,
    )  # fmt: skip


def along(found: Made, trail: dict[str, float], matrix: Float64) -> npt.NDArray[np.bool_]:
    """Pixels of the stack within one of a trail's line."""
    ny, nx = found.truth.shape
    x, y = np.meshgrid(np.arange(nx, dtype=float), np.arange(ny, dtype=float))
    u, v = maps.apply(maps.inverse(matrix), x, y)
    angle = np.radians(trail["angle_deg"])
    away = (v - trail["y"]) * np.cos(angle) - (u - trail["x"]) * np.sin(angle)
    return np.abs(away) < 1.0


def trails() -> Iterator[Line]:
    """Trails of one and a half sigma per sample across the whole frame."""
    night = f"count = 20\n{SHARP}\ntrail_e_per_px = 42.0\ntrail_share = "
    name = "registration.reference=light_0001.fits"
    with tempfile.TemporaryDirectory() as folder:
        with made(scene_of(night + "0.0", seed=72, **FIELD), name, folder=Path(folder) / "without") as found:
            clean = found.plane("G")
        with made(scene_of(night + "0.3", seed=72, **FIELD), name, folder=Path(folder) / "with") as found:
            apart = (found.plane("G") - clean) / np.sqrt(found.plane("VAR_G"))
            width = float(np.median([frame["fwhm_px"]["G1"] for frame in found.summary["frames"]]))
            strong, left = [], []
            for frame in found.summary["frames"]:
                true = found.truth.frames[str(Path(frame["path"]).resolve())]
                for trail in true["trails"]:
                    peak = trail["electrons_per_px"][1] / (1.0645 * width)
                    strong.append(peak / frame["noise"]["G1"])
                    left.append(float(np.nanmean(apart[along(found, trail, np.array(frame["matrix"]))])))
    each = ", ".join(f"{s:.1f}: {value:+.3f}" for s, value in sorted(zip(strong, left, strict=True)))
    held = [value for s, value in zip(strong, left, strict=True) if s >= 1.5]
    yield Line(
        "trails of so many sigma per sample in one of 20 lights: what is left along them, sigma of the stack",
        "<= 0.1 from 1.5 on", each, bool(held) and max(np.abs(held)) <= 0.1,
    )  # fmt: skip


def rejection() -> Iterator[Line]:
    """Samples rejected where there is nothing to reject, on the even sky and on stars."""
    scene = scene_of(
        f"count = 20\n{SHARP}", seed=73, camera="cosmic_rays_per_cm2_s = 0.0\nhot_share = 0.0\n", **FIELD
    )
    with made(scene) as found:
        rejected = fits.getdata(found.out / "stack.fits", "REJECTED").astype(float)
        stars = sum(found.truth.stars(plane) for plane in ("R", "G1", "B"))
    steep = maximum_filter(stars, 5) - minimum_filter(stars, 5) > 20.0
    even = ~maximum_filter(steep, 9)
    for name, where, most in (("the even sky", even, 0.01), ("stars", steep, 0.02)):
        share = 100 * rejected[where].sum() / len(found.summary["frames"]) / where.sum()
        yield Line(
            f"samples rejected in vain on {name}, per cent", f"<= {most}", f"{share:.4f}", share <= most
        )


def seams() -> Iterator[Line]:
    """The same stack cut into tiles of two sizes: what differs where one of them has a seam."""
    scene = scene_of("count = 20", seed=74)
    planes, usual = [], geometry.TILE_BYTES
    with tempfile.TemporaryDirectory() as folder:
        try:
            for size in (usual, usual / 12):
                geometry.TILE_BYTES = size
                with made(scene, "integrate.method=least-squares", folder=Path(folder)) as found:
                    planes.append((found.plane("R"), found.plane("VAR_R")))
        finally:
            geometry.TILE_BYTES = usual
    apart = (planes[1][0] - planes[0][0]) / np.sqrt(planes[0][1])
    rows, columns = (np.nanmean(apart, axis=axis) for axis in (1, 0))
    rims = max(float(np.nanmax(np.abs(np.diff(line[8:-8])))) for line in (rows, columns))
    most = float(np.nanpercentile(np.abs(apart), 99))
    yield Line(
        "cut into tiles of another size, sigma: largest step from one whole row or column to the next; 99 % of pixels",
        "< 0.1", f"{rims:.4f}; {most:.3f}", max(rims, most) < 0.1,
    )  # fmt: skip


def full() -> Iterator[Line]:
    """Stars that fill their samples: flat tops stay flat, and nothing beside them is darker than the sky.

    Drops average samples, so that theirs is the level at which samples are full, flat and all.
    """
    scene = scene_of(f"count = 20\n{SHARP}", seed=75, kind="none", stars=150, brightest=5.0)
    planes = {}
    with tempfile.TemporaryDirectory() as folder:
        for method in ("least-squares", "drizzle"):
            with made(scene, f"integrate.method={method}", folder=Path(folder)) as found:
                truth, planes[method] = found.truth.stars("G1"), found.plane("G")
                sigma = np.sqrt(np.nanmedian(found.plane("VAR_G")))
    value, level = planes["least-squares"], np.nanmedian(planes["least-squares"])
    tops = maximum_filter(minimum_filter(truth > scene.camera.full_well_e, 3), 7)
    over = float(np.nanmax(value[tops]) / np.nanmax(planes["drizzle"][tops]))
    around = maximum_filter(truth, 41) > scene.camera.full_well_e
    deep = float(np.nanmin(np.where(around, value - level, np.nan)) / sigma)
    yield Line(
        f"{int(tops.sum())} pixels around flat tops: brightest over full; darkest pixel around full stars, sigma",
        "<= 1.02; >= -6", f"{over:.3f}; {deep:.1f}", over <= 1.02 and deep >= -6,
    )  # fmt: skip
