"""Memory as Python counts it (tracemalloc): tiles, lights and pictures take what is reckoned with, and no more."""

from __future__ import annotations

import os
import tracemalloc
import weakref
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from fields import frame_table, paint_stars, raw_frame, turned
from fourlight import engine
from fourlight.pipeline.integration import RESULT_BYTES, WAITING
from fourlight.pipeline.lights import MEASURE_BYTES
from fourlight.recipe import Finish, Integrate, Measure
from fourlight.stages import canvas, least_squares, smoothing_levels, tile_samples
from fourlight.stages.canvas import Canvas, Window, every, some
from fourlight.stages.finish import finish
from fourlight.stages.geometry import HALO, Tile
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.measure import measure
from fourlight.stages.picture_parts import Source
from fourlight.stages.way import Way
from painted_scenes import Scene, paint


def peak(work: Callable[[], object]) -> int:
    """Bytes taken at most; what compiling takes is left out by doing the work twice."""
    work()
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("method", "width"), [("drizzle", 3.0), ("least-squares", 3.0), ("least-squares", 2.0)]
)
@pytest.mark.parametrize(("frames", "at_once"), [(3, 128), (12, 128), (30, 10)])
def test_a_tile_takes_the_memory_by_which_tiles_are_cut(
    method: str, width: float, frames: int, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(least_squares, "AT_ONCE", at_once)
    monkeypatch.setattr(least_squares, "TOGETHER", at_once)
    rng = np.random.default_rng(frames)
    shape, side = (320, 320), 160
    matrices = np.array(
        [turned(rng.normal(0, 2), 1, tuple(rng.uniform(-4, 4, 2)), (160, 160)) for _ in range(frames)]
    )
    images = rng.normal(100, 5, (frames, *shape)).astype(np.float32)
    table = frame_table(matrices, shape, noise=np.full(4, 5.0), level=100.0)
    table = replace(table, fwhm_px=np.full(4, width))
    way = Way(method, "", 1.0, "")
    made = way.of(table)

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[np.ndarray, np.ndarray]:
        return images[f, y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    def work() -> object:
        tile = Tile(80, 80 + side, 80, 80 + side)
        return integrate_tile(tile, table, read, Integrate(), made)

    pixels = (side + 2 * HALO) ** 2
    reckoned = pixels * way.pixel_bytes(table)
    assert 0.75 * reckoned < peak(work) < 1.03 * reckoned


def test_a_tile_does_not_hold_the_reference_of_each_batch_beside_the_clearest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """48 bytes per pixel, which would be kept through all fits."""
    monkeypatch.setattr(least_squares, "AT_ONCE", 4)
    monkeypatch.setattr(least_squares, "TOGETHER", 4)
    table = frame_table(
        np.array([turned(0, 1, (0, 0), (0, 0))] * 12), (60, 70), noise=np.full(4, 5.0), level=100.0
    )
    plain, made = tile_samples.reference, Way("least-squares", "", 1.0, "")
    own: list[weakref.ref[np.ndarray]] = []
    held: list[int] = []

    def remembered(*given: object) -> tile_samples.Reference:
        found = plain(*given)  # type: ignore[arg-type]
        own.append(weakref.ref(found.behind))
        return found

    monkeypatch.setattr(tile_samples, "reference", remembered)

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[np.ndarray, np.ndarray]:
        return np.full((y1 - y0, x1 - x0), 100, dtype=np.float32), np.empty((0, 0), dtype=np.float32)

    method = made.of(table, lambda: held.append(sum(part() is not None for part in own[1:])))
    integrate_tile(Tile(0, 60, 0, 70), table, read, Integrate(), method)
    assert len(own) == 3
    assert set(held) == {0}


def test_results_that_wait_are_reckoned_with() -> None:
    """What the result of a tile holds, beside some numbers; two for each that is being made."""
    images = np.full((3, 60, 70), 100, dtype=np.float32)
    table = frame_table(
        np.array([turned(0, 1, (0, 0), (0, 0))] * 3), (60, 70), noise=np.full(4, 5.0), level=100.0
    )

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[np.ndarray, np.ndarray]:
        return images[f, y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    made = Way("drizzle", "", 1.0, "").of(table)
    found = integrate_tile(Tile(0, 60, 0, 70), table, read, Integrate(), made)
    layers = [layer for plane in found.planes.values() for layer in plane.layers.values()]
    assert sum(part.nbytes for part in (*layers, found.rejected_here)) == RESULT_BYTES * 60 * 70
    assert WAITING == 2


def test_a_light_takes_no_more_than_reckoned_while_it_is_measured() -> None:
    rng = np.random.default_rng(2)
    ny, nx = 1400, 2100
    x, y = rng.uniform(40, nx - 40, 300), rng.uniform(40, ny - 40, 300)
    stars = paint_stars((ny, nx), x, y, 10 ** rng.uniform(3, 5, 300), 2.8)
    image = (stars + rng.normal(200, 12, (ny, nx))).astype(np.float32)
    frame = raw_frame("a.fits", (ny, nx))

    def work() -> object:
        return measure(frame, image.copy(), "RGGB", electrons=False, saturation=np.inf, settings=Measure())

    # what does not grow with the light: bands that are filtered, sums along lines of a coarse picture
    assert peak(work) < MEASURE_BYTES * ny * nx + 25e6


def test_a_picture_is_the_same_in_little_memory_and_by_threads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """100 MB for 1 MP, which takes 155 MB at once: nine parts."""
    monkeypatch.setattr(engine, "held_bytes", lambda: 0)
    monkeypatch.setattr(canvas, "MOST_SIDE", 2000)
    # what is compiled takes long when it is traced
    finished(paint(kind="broadband", ny=400, nx=500, stars=120), Canvas())
    scene = paint(kind="broadband", ny=900, nx=1100, stars=200)
    for name in "RGB":
        scene.planes[name][:40, :300] = np.nan  # a corner, and a hole in one half
        scene.halves[0][name][500:520, 300:600] = np.nan
    rooms = {
        "whole": Canvas(None, 2e9),
        "little": Canvas(tmp_path, 100e6),
        "threads": Canvas(tmp_path, 240e6, threads=2),
    }
    found, taken = {}, {}
    for name, room in rooms.items():
        tracemalloc.start()
        found[name] = finished(scene, room)
        taken[name] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    for name in ("little", "threads"):
        np.testing.assert_array_equal(found[name], found["whole"], err_msg=name)
    assert taken["little"] < 100e6 + 9 * 900 * 1100
    assert taken["threads"] < 240e6 + 9 * 900 * 1100
    assert taken["whole"] > 150e6
    if os.name == "posix":
        assert list(tmp_path.iterdir()) == [], "files of a canvas go by themselves"


def finished(scene: Scene, room: Canvas) -> np.ndarray:
    """The picture of a painted stack."""
    source = Source(scene.planes, scene.variances, scene.halves, scene.stars, 0.1)
    return finish(source, Finish(), room).rgb


@pytest.mark.parametrize(("threads", "memory"), [(1, 1e6), (1, 50e6), (4, 50e6), (16, 2e9)])
@pytest.mark.parametrize("reach", [0, 208])
def test_parts_cover_a_picture_once_and_keep_the_memory(
    monkeypatch: pytest.MonkeyPatch, threads: int, memory: float, reach: int
) -> None:
    monkeypatch.setattr(engine, "held_bytes", lambda: 0)
    ny, nx = 1003, 1511
    counts, largest, seen = np.zeros((ny, nx), dtype=int), 0, []

    def work(window: Window) -> None:
        nonlocal largest
        counts[window.inner] += 1
        part = counts[window.outer]
        largest = max(largest, part.size)
        np.testing.assert_array_equal(part[window.cut].shape, counts[window.inner].shape)
        for inner, outer, length in zip(window.inner, window.outer, (ny, nx), strict=True):
            assert outer.start == max(inner.start - reach, 0)
            assert outer.stop == min(inner.stop + reach, length)
        seen.append(window)

    room = Canvas(None, memory, threads)
    room.each((ny, nx), work, reach=reach, pixel_bytes=100)
    assert (counts == 1).all()
    _, used = room._side(reach, 100)
    assert 1 <= used <= threads
    least = (canvas.LEAST_SIDE + 1 + 2 * reach) ** 2 * 100
    assert largest * 100 * used <= max(memory, least)


def test_some_pixels_of_a_large_picture_stand_for_all() -> None:
    rng = np.random.default_rng(8)
    large = rng.normal(10, 2, (3000, 2000)).astype(np.float32)
    assert every(large.shape) == 2
    assert np.median(some(large)) == pytest.approx(10, abs=5 * 2 * 1.2533 / np.sqrt(1.5e6))
    assert some(large[:1000]).size == 2_000_000


def test_noise_levels_of_parts_are_those_of_the_whole() -> None:
    """Nine parts of a picture of even noise tell the level to one per cent."""
    rng = np.random.default_rng(4)
    ratio = rng.chisquare(3, (1600, 2400)).astype(np.float32)
    levels = smoothing_levels.Levels(np.float32(1), seen={})
    for part in smoothing_levels.samples(ratio.shape):
        levels.of("brightness")(partial(ratio.__getitem__, part), 0)
    levels.settle()
    assert levels.of("brightness")(lambda: ratio[:5], 0) == pytest.approx(float(np.median(ratio)), rel=0.01)
    assert len(smoothing_levels.samples((500, 400))) == 1
    assert len(smoothing_levels.samples((5000, 400))) == 3
