"""Samples region by region: fine detail and noise against painted light, holes in half stacks, cuts into tiles."""

import numpy as np
import pytest

from fields import frame_table
from fourlight.core import cfa, starlet
from fourlight.core import regionsums as part
from fourlight.engine import nothing
from fourlight.stages import geometry, region_samples
from fourlight.stages.channel_shares import shares
from fourlight.stages.contributions import believed, ledger
from fourlight.stages.nights import FRAMES, parts_of
from fourlight.stages.region_samples import gathered
from fourlight.stages.regions import Regions
from ledgers import WHITE

SHAPE = (260, 300)
CELL = cfa.plane_map("RGGB")
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
SIGMA = 6.0
DETAIL = np.array([3.0, 5.0, 5.0, 2.0])
"""Amplitude of fine structure in R, G1, G2, B."""
WHOLE = tuple(geometry.tiles(SHAPE, 1.0))


def fine(period=5.0):
    return np.sin(2 * np.pi * X / period) * np.sin(2 * np.pi * Y / period)


class Painted:
    """Twelve lights of a slope with fine structure, and halves of them with holes at chance."""

    def __init__(self, holes=0.0, slope=0.5, frames=12, seed=1):
        rng = np.random.default_rng(seed)
        self.light = 400 + slope * X + DETAIL[:, None, None] * fine()
        noise = rng.normal(0, SIGMA, (frames, 4, *SHAPE))
        self.images = (self.light + noise).astype(np.float32)
        self.table = frame_table(
            np.array([[[1.0, 0, 0], [0, 1.0, 0]]] * frames),
            SHAPE,
            noise=np.full((frames, 4), SIGMA),
            level=400.0,
        )
        self.halves = [self.images[self.table.half == half].mean(axis=0) for half in range(2)]
        for half in self.halves:
            half[rng.random(half.shape) < holes] = np.nan

    def read(self, plane, layer):
        return self.halves["ab".index(layer[-1])][cfa.PLANES.index(plane)]

    def samples(self, f, y0, y1, x0, x1):
        box = np.s_[y0:y1, x0:x1]
        plane = CELL[Y.astype(int) % 2, X.astype(int) % 2][box]
        found = np.choose(plane, self.images[f][(slice(None), *box)])
        return found, np.empty((0, 0), dtype=np.float32)

    def sums(self, regions, tiles=WHOLE):
        return gathered(self.table, self.samples, self, regions, 1, nothing, list(tiles))


def regions_of(*masks):
    labels = sum(mask.astype(np.uint16) << k for k, mask in enumerate(masks))
    names = tuple(f"region {k}" for k in range(len(masks)))
    pixels = np.array([mask.sum() for mask in masks], dtype=np.int64)
    return Regions(names, labels, pixels, np.full((len(masks), 5), 400.0), False)


INNER = (np.minimum(X, SHAPE[1] - 1 - X) > 12) & (np.minimum(Y, SHAPE[0] - 1 - Y) > 12)


def true_detail(light):
    """Mean square of what two steps of the starlet take away, on the noise-free light."""
    smooth = starlet.smooth_step(starlet.smooth_step(light.astype(np.float32), 0), 1)
    return ((light - smooth)[INNER] ** 2).mean()


@pytest.mark.parametrize("holes", [0.0, 0.05, 0.25])
def test_fine_detail_is_that_of_the_painted_light(holes):
    scene, regions = Painted(holes), regions_of(INNER)
    sums = scene.sums(regions)[:, :, 0].sum(axis=0)
    count = sums[:, part.COUNT]
    assert (count > 1000).all()
    true = np.array([true_detail(light) for light in scene.light])
    # noise of a product of a sample and a mean of six, and the light's own scatter over the region
    error = np.sqrt((SIGMA**4 / 6 + 2 * true * SIGMA**2) / count)
    assert (abs(sums[:, part.CROSS] / count - true) < 4 * error + 0.03 * true).all()
    if holes > 0.1:  # too few neighbours beside each other for a share that could be held against the truth
        return
    told = shares(ledger(scene.sums(regions), regions, scene.table), [None] * 12, WHITE)["detail"]["region 0"]
    share = true / true.sum()
    for channel, expected in zip(("R", "G1", "G2", "B"), share, strict=True):
        assert told[channel].value == pytest.approx(expected, abs=4 * (error / true.sum()).max() + 0.01)


@pytest.mark.parametrize("holes", [0.0, 0.1, 0.2])
def test_noise_is_that_of_the_samples_beside_holes_too(holes):
    scene = Painted(holes, seed=2)
    regions = regions_of(INNER)
    sums = scene.sums(regions)
    found, threes = believed(ledger(sums, regions, scene.table))[:, 0], sums[..., part.FLAT].sum(axis=(0, 2))
    assert (threes > 100).all()
    assert (abs(found - 1) < 5 * np.sqrt(4 / threes) + 0.01).all()


def test_a_hole_takes_its_surroundings_along_no_further_than_it_must():
    """Pixels whose value is interpolated from the hole, at most; not all that its smooth light reaches."""
    scene, whole = Painted(seed=3), Painted(seed=3)
    for half in scene.halves:
        half[:, 100, 120] = np.nan
    regions = regions_of(INNER)
    lost = (whole.sums(regions) - scene.sums(regions))[..., part.COUNT].sum(axis=(0, 2))
    assert 0 < lost.sum() <= 12 * 9
    assert (lost >= 0).all()


def test_of_halves_without_neighbours_nothing_is_counted_and_nothing_told():
    """Samples on every second column and row, as of lights that were not dithered and small drops."""
    scene, regions = Painted(seed=4), regions_of(INNER)
    for half in scene.halves:
        half[0, 1::2], half[0, :, 1::2] = np.nan, np.nan
    sums = scene.sums(regions)
    assert not sums[:, 0, 0].any()
    assert sums[:, 1, 0, part.COUNT].sum() > 1000
    found = ledger(sums, regions, scene.table)
    assert np.isnan(believed(found)[0, 0])
    assert np.isfinite(believed(found)[1:, 0]).all()
    for told in shares(found, [None] * 12, WHITE).values():
        assert all(np.isnan(trial.value) for trial in told["region 0"].values())
    assert parts_of([None] * 12).scope == FRAMES


def test_sums_do_not_depend_on_how_the_stack_is_cut():
    scene, regions = Painted(0.05, seed=5), regions_of(INNER, X > 150, (X < 40) & (Y < 40))
    small = [
        geometry.Tile(y, min(y + 100, SHAPE[0]), x, min(x + 90, SHAPE[1]))
        for y in range(0, SHAPE[0], 100)
        for x in range(0, SHAPE[1], 90)
    ]
    whole, parted = scene.sums(regions), scene.sums(regions, small)
    assert whole[..., part.COUNT].sum() > 10_000
    # samples on the rim of a tile are interpolated across it, once in either
    np.testing.assert_allclose(parted[..., part.COUNT], whole[..., part.COUNT], rtol=1e-3)
    np.testing.assert_allclose(parted[..., part.VARIANCE], whole[..., part.VARIANCE], rtol=1e-3)
    np.testing.assert_allclose(parted[..., part.CROSS], whole[..., part.CROSS], rtol=0.02, atol=50)


def test_lights_read_some_at_a_time_give_the_same_sums(monkeypatch):
    scene, regions = Painted(0.05, seed=7), regions_of(INNER, X > 150)
    whole = scene.sums(regions)
    monkeypatch.setattr(region_samples, "TOGETHER", 5)
    np.testing.assert_array_equal(scene.sums(regions), whole)


def test_tiles_of_many_lights_are_as_large_as_those_of_some():
    """Small tiles are mostly halo: 1,000 lights of 26 MP at once were worked on in 3,750 tiles, 1.9 times a pixel."""
    shape, still = (2000, 2500), np.array([[[1.0, 0, 0], [0, 1.0, 0]]])
    some, many = (
        frame_table(np.repeat(still, count, axis=0), shape, noise=np.full((count, 4), SIGMA), level=400.0)
        for count in (64, 500)
    )
    assert len(region_samples.cut(many)) <= len(region_samples.cut(some))


def test_no_region_no_sums():
    nothing_there = Regions((), np.zeros(SHAPE, np.uint16), np.zeros(0, np.int64), np.zeros((0, 5)), False)
    assert Painted(seed=6, frames=4).sums(nothing_there).shape == (4, 4, 0, part.PARTS)
    assert list(region_samples.cut(Painted(seed=6, frames=4).table))
