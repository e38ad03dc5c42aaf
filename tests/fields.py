"""Star fields with known truth and frame tables for tests: pixel-integrated Moffat stars, dithers, tiles."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core import bends, cfa, maps
from fourlight.core.samples import polynomial_terms
from fourlight.frames import MeasuredFrame, RawFrame, Role, StarList
from fourlight.recipe import Integrate
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES
from fourlight.stages.table import Sampling
from fourlight.stages.way import Way

Float64 = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

NODES, WEIGHTS = (0.5 * part for part in np.polynomial.legendre.leggauss(4))


def moffat_star(
    x: Float64, y: Float64, fwhm: float, beta: float, long: float = 1.0, turn: float = 0.0
) -> Float64:
    """Moffat profile of unit flux at offsets x, y from its centre (Moffat 1969).

    FWHM = 2 alpha sqrt(2^(1/beta) - 1); ``long`` is major over minor axis at constant area, ``turn`` the angle
    of the major axis from +x towards +y.
    """
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    u = (np.cos(turn) * x + np.sin(turn) * y) / np.sqrt(long)
    v = (-np.sin(turn) * x + np.cos(turn) * y) * np.sqrt(long)
    return (beta - 1) / (np.pi * alpha**2) * (1 + (u**2 + v**2) / alpha**2) ** -beta


def paint_stars(
    shape: tuple[int, int], x: Float64, y: Float64, flux: Float64, fwhm: float, beta: float = 3.0,
    long: float = 1.0, turn: float = 0.0, reach: int = 20, pixel: bool = True,
) -> Float64:  # fmt: skip
    """Sum of stars (ny, nx), each integrated over square pixels by a 4 x 4 Gauss-Legendre rule."""
    image = np.zeros(shape)
    nodes = NODES if pixel else np.zeros(1)
    weights = WEIGHTS if pixel else np.ones(1)
    for cx, cy, light in zip(x, y, flux, strict=True):
        i, j = round(cx), round(cy)
        x0, x1, y0, y1 = (
            max(0, i - reach),
            min(shape[1], i + reach + 1),
            max(0, j - reach),
            min(shape[0], j + reach + 1),
        )
        if x1 <= x0 or y1 <= y0:
            continue
        v, u = np.mgrid[y0:y1, x0:x1].astype(float)
        for dy, wy in zip(nodes, weights, strict=True):
            for dx, wx in zip(nodes, weights, strict=True):
                image[y0:y1, x0:x1] += (
                    light * wx * wy * moffat_star(u - cx + dx, v - cy + dy, fwhm, beta, long, turn)
                )
    return image


def apart(rng: np.random.Generator, count: int, shape: tuple[int, int], gap: float, rim: float) -> Float64:
    """Random positions (n, 2) as x, y, at least ``gap`` from each other and ``rim`` from the edge."""
    chosen: list[Float64] = []
    for _ in range(200 * count):
        point = np.array([rng.uniform(rim, shape[1] - 1 - rim), rng.uniform(rim, shape[0] - 1 - rim)])
        if all(np.hypot(*(point - other)) > gap for other in chosen):
            chosen.append(point)
        if len(chosen) == count:
            break
    return np.array(chosen)


def turned(degrees: float, scale: float, shift: tuple[float, float], about: tuple[float, float]) -> Float64:
    """(2, 3) matrix: turn and stretch about a point (x, y), then shift."""
    c, s = scale * np.cos(np.radians(degrees)), scale * np.sin(np.radians(degrees))
    linear, centre = np.array([[c, -s], [s, c]]), np.array(about)
    return np.column_stack([linear, centre + np.array(shift) - linear @ centre])


def raw_frame(name: str, shape: tuple[int, int], **facts: object) -> RawFrame:
    return RawFrame(Path(name), 0, *shape, Role.LIGHT, "header", **facts)  # type: ignore[arg-type]


def star_list(
    x: Float64,
    y: Float64,
    flux: Float64,
    error: float = 30.0,
    fwhm: float = 3.0,
    saturated: Bool | None = None,
) -> StarList:
    """Stars of given flux (n, 4), brightest first."""
    order = np.argsort(-flux.sum(axis=1), kind="stable")
    count = len(x)
    full = np.zeros(count, dtype=bool) if saturated is None else saturated
    return StarList(
        x[order], y[order], flux[order], np.full((count, 4), error), np.full(count, fwhm), np.ones(count), full[order]
    )  # fmt: skip


def measured_frame(name: str, stars: StarList, shape: tuple[int, int], fwhm: float = 3.0) -> MeasuredFrame:
    """A light with an even sky of 100 and a noise of 10."""
    four = np.ones(4)
    return MeasuredFrame(
        raw_frame(name, shape), stars, 100 * four, 10 * four, 0 * four, fwhm * four, four, 0.0,
        np.full((4, 8, 8), 100.0, dtype=np.float32),
    )  # fmt: skip


def frame_table(
    matrices: Float64, shape: tuple[int, int], *, noise: Float64, level: float = 0.0, poisson: float = 0.0,
    pattern: str = "RGGB", step: float = 0.0,
) -> FrameTable:  # fmt: skip
    """Table of frames as large as the stack that differ in place and noise (f, 4) only."""
    count = len(matrices)
    noise = np.broadcast_to(noise, (count, 4)).astype(float)
    facts = {
        "matrix": np.array(matrices, dtype=float),
        "inverse": np.array([maps.inverse(m) for m in matrices]),
        "bend": np.array([[bends.straight(m)] * 4 for m in np.array(matrices, dtype=float)]),
        "unbend": np.array([[bends.straight(maps.inverse(m))] * 4 for m in matrices]),
        "scale": np.ones((count, 4)),
        "sky": np.zeros((count, 4, 1)),
        "sky_error": np.zeros((count, 4)),
        "terms": polynomial_terms(0),
        "dark": noise**2 - poisson * level,
        "poisson": np.full(count, poisson),
        "cell": np.array([cfa.plane_map(pattern)] * count),
        "size": np.array([shape] * count, dtype=np.int64),
        "floor": 0.3 * noise**2,
        "merit": np.ones((count, 4)),
        "shared": np.zeros((count, 4)),
        "step": np.full((count, 4), step),
        "weight": 1 / noise**2,
        "half": np.arange(count) % 2,
        "level": np.full(4, level),
        "fwhm_px": np.full(4, 3.0),
        "shape": shape,
    }
    return FrameTable(**facts)


SAMPLING = Sampling(cfa.plane_map("RGGB"), True, np.zeros(4), np.ones(4))
"""A camera with a known gain, without flats."""


def stacked(
    images: npt.NDArray[np.floating], table: FrameTable, pixfrac: float, pattern: str = "RGGB",
    tiles: list[Tile] | None = None, method: str = "drizzle", **settings: float | str,
) -> tuple[dict[str, dict[str, Float32]], dict[str, float]]:  # fmt: skip
    """All layers of a stack, and scatter of pixels over sqrt(VAR) per plane."""
    ny, nx = table.shape
    out = {p: {name: np.full((ny, nx), np.nan, dtype=np.float32) for name in LAYERS} for p in OUTPUT_PLANES}
    sums = {p: np.zeros(2) for p in OUTPUT_PLANES}
    frames = [np.ascontiguousarray(image, dtype=np.float32) for image in images]
    size = np.array([image.shape for image in frames], dtype=np.int64)
    table = replace(table, size=size, cell=np.array([cfa.plane_map(pattern)] * len(frames)))

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return frames[f][y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    recipe = Integrate(**settings)  # type: ignore[arg-type]
    how = Way(method, "", pixfrac, "").of(table)
    for tile in tiles or [Tile(0, ny, 0, nx)]:
        done = integrate_tile(tile, table, read, recipe, how)
        for plane, made in done.planes.items():
            sums[plane] += made.pixel_noise
            for name, part in made.layers.items():
                out[plane][name][tile.y0 : tile.y1, tile.x0 : tile.x1] = part
    return out, {plane: float(np.sqrt(total / count)) for plane, (total, count) in sums.items()}


def block_means(image: Float32, side: int) -> Float64:
    """Means of square blocks; blocks that hold a NaN are left out."""
    ny, nx = image.shape[0] // side * side, image.shape[1] // side * side
    cut = image[:ny, :nx].astype(float).reshape(ny // side, side, nx // side, side)
    means = cut.mean(axis=(1, 3)).ravel()
    return means[np.isfinite(means)]
