"""Frames added to kept sums give the stack of all frames at once, to a small share of its noise."""

from __future__ import annotations

import numpy as np
import pytest

from fields import apart, frame_table, paint_stars, turned
from fourlight.recipe import Integrate
from fourlight.stages.geometry import HALO, Tile
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.tile_sums import TileSums, sums_file
from fourlight.stages.way import Way

SHAPE, FIRST, FRAMES = (200, 240), 12, 20
TILE = Tile(24, 176, 24, 216)
LEVEL, NOISE = 200.0, 10.0


@pytest.fixture(scope="module")
def night():
    """Twenty frames of stars of up to 300 sigma, each with cosmic rays; dithered, the last eight turned."""
    rng = np.random.default_rng(12)
    stars = apart(rng, 40, SHAPE, 14, 12)
    light = 10 ** rng.uniform(2.5, 4.3, 40)
    images, matrices = [], []
    for k in range(FRAMES):
        matrix = turned(0.0 if k < FIRST else 3.0, 1, tuple(rng.uniform(-4, 4, 2)), (120, 100))
        inverse = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))
        x, y = (inverse @ np.column_stack([stars, np.ones(40)]).T)[:2]
        image = LEVEL + paint_stars(SHAPE, x, y, light, 2.8) + rng.normal(0, NOISE, SHAPE)
        image[rng.integers(0, SHAPE[0], 30), rng.integers(0, SHAPE[1], 30)] += 2000
        images.append(image.astype(np.float32))
        matrices.append(matrix)
    return images, frame_table(np.array(matrices), SHAPE, noise=np.full(4, NOISE), level=LEVEL)


def made(night, method, frames, *, earlier=None, keep=None):
    images, table = night
    part = table.rows(frames)

    def read(f, y0, y1, x0, x1):
        return images[frames[f]][y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    how = Way(method, "", 0.8, "").of(part, whole=table if earlier else None)
    return integrate_tile(TILE, part, read, Integrate(), how, earlier=earlier, keep=keep)


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_added_frames_count_as_if_they_had_been_there(night, method, tmp_path):
    at_once = made(night, method, list(range(FRAMES)), keep=tmp_path / "all.npz")
    file = sums_file(tmp_path, TILE)
    made(night, method, list(range(FIRST)), keep=file)
    added = made(
        night, method, list(range(FIRST, FRAMES)), earlier=TileSums.load(file), keep=tmp_path / "sum.npz"
    )
    assert added.used.tolist() == at_once.used.tolist()
    assert np.abs(added.rejected - at_once.rejected).max() <= 0.15 * at_once.rejected.max()
    assert added.rejected_here.sum() == pytest.approx(at_once.rejected_here.sum(), rel=0.1)
    for plane, layers in at_once.planes.items():
        ours, sigma = added.planes[plane].layers, np.sqrt(layers.layers["variance"])
        for name in ("value", "value_a", "value_b"):
            gap = np.abs(ours[name] - layers.layers[name]) / sigma
            # samples that only one of the two references rejects, half precision of weights, and in the cores of
            # stars how far least squares may miss samples, which follows the reference
            assert np.percentile(gap, 95) < 0.03, (plane, name)
            assert np.percentile(gap, 99.5) < 0.1, (plane, name)
        ratio = ours["variance"] / layers.layers["variance"]
        # the noise of earlier drops is known without their places; 0.8 px of 12 frames are the thinnest there are
        median, most = (0.03, 0.1) if method == "drizzle" else (0.002, 0.01)
        assert np.median(ratio) == pytest.approx(1, abs=median)
        assert np.percentile(np.abs(ratio - 1), 99) < most
        np.testing.assert_allclose(ours["samples"], layers.layers["samples"], rtol=0.002, atol=0.01)


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_sums_of_sums_can_be_added_to(night, method, tmp_path):
    """Night by night, one frame at the end; halves take turns as if nothing had happened between."""
    at_once, earlier = made(night, method, list(range(FRAMES))), None
    for step, frames in enumerate((range(12), range(12, 16), range(16, 19), range(19, 20))):
        file = tmp_path / f"{step}.npz"
        found = made(night, method, list(frames), earlier=earlier, keep=file)
        earlier = TileSums.load(file)
    sigma = np.sqrt(at_once.planes["G"].layers["variance"])
    gap = np.abs(found.planes["G"].layers["value"] - at_once.planes["G"].layers["value"]) / sigma
    assert np.percentile(gap, 95) < 0.03


def test_kept_sums_have_the_tile_with_its_halo(night, tmp_path):
    file = sums_file(tmp_path, TILE)
    made(night, "drizzle", list(range(FIRST)), keep=file)
    kept = TileSums.load(file)
    assert file.name == "24_24.npz"
    assert kept.halves["R"][0].shape == (152 + 2 * HALO, 192 + 2 * HALO, 5)
    assert kept.reference.behind.max() == FIRST
