"""What all lights have in common in the light of a region: how far it is off is how far it is told to be off."""

import numpy as np
import pytest

from fourlight.core.background import Surface, fit_surface
from fourlight.core.levels import Cells, cell_levels
from fourlight.stages.empty_sky import EmptySky
from fourlight.stages.sky_error import counted, halves_apart, shared_error
from fourlight.stages.twin_greens import twin_variance

SIDE, SHAPE = 16, (224, 320)
GRID = (14, 20)
PLANES = ("R", "G1", "G2", "B", "G")


def cells(level):
    ones = np.ones(GRID)
    return Cells(level, ones, ones, SIDE, SHAPE)


def sky_of(shared, lights, use, order=1):
    """A sky of slopes with noise that both halves have (5, my, mx) and noise that they do not have (2, 5, my, mx)."""
    y, x = np.mgrid[: GRID[0], : GRID[1]]
    level = 100 + 0.3 * y - 0.2 * x + shared + lights.mean(axis=0)
    every = {plane: cells(part) for plane, part in zip(PLANES, level, strict=True)}
    surfaces = {plane: fit_surface(part, use, order) for plane, part in every.items()}
    apart = dict(zip(PLANES, (lights[0] - lights[1]) / 2, strict=True))
    return EmptySky(use, ~use, SIDE, surfaces, dict.fromkeys(PLANES, 100.0), False, every), apart


def found_and_told(rng, shared_noise, light_noise, over, use, smooth=1):
    """Errors of the light of a region that holds none (4,), and the covariance that is told of them."""
    coarse = rng.normal(0, shared_noise, (5, -(-GRID[0] // smooth), -(-GRID[1] // smooth)))
    shared = coarse.repeat(smooth, axis=1).repeat(smooth, axis=2)[:, : GRID[0], : GRID[1]]
    lights = rng.normal(0, light_noise, (2, 5, *GRID))
    sky, apart = sky_of(shared, lights, use)
    level = np.array([sky.cells[plane].level - on_cells(sky.surfaces[plane]) for plane in PLANES[:4]])
    off = (level * over).sum(axis=(1, 2)) / over.sum()
    return off, shared_error(sky, apart, [over])[0]


def on_cells(surface: Surface):
    y, x = (np.arange(n) * SIDE + (SIDE - 1) / 2 for n in GRID)
    return surface.at(*np.meshgrid(y, x, indexing="ij"))


@pytest.mark.parametrize("smooth", [1, 3])
@pytest.mark.parametrize(
    "place", [(slice(5, 9), slice(8, 13)), (slice(0, 3), slice(0, 3))], ids=["amid", "corner"]
)
def test_errors_that_lights_share_are_as_large_as_they_are_told_to_be(place, smooth):
    """By a region amid the sky and one in a corner, of noise that is cell by cell and that neighbours share."""
    rng, over = np.random.default_rng(4), np.zeros(GRID)
    over[place] = SIDE**2
    pairs = [found_and_told(rng, 1.0, 0.0, over, over == 0, smooth) for _ in range(150)]
    true = np.mean([off**2 for off, _ in pairs])
    told = np.mean([np.diag(covariance) for _, covariance in pairs])
    # 600 squares are known to 6 % (chi-square); edges of a region cut blocks, which errs to the safe side by half
    assert 0.8 < told / true < 1.8


def test_noise_of_lights_that_leaving_them_out_shows_is_not_told_twice():
    rng, over = np.random.default_rng(5), np.zeros(GRID)
    over[5:9, 8:13] = SIDE**2
    pairs = [found_and_told(rng, 0.0, 1.0, over, over == 0) for _ in range(40)]
    whole = np.mean([off**2 for off, _ in pairs])
    told = np.mean([np.diag(covariance) for _, covariance in pairs])
    assert told < 0.3 * whole


def test_of_too_few_empty_cells_nothing_is_told():
    rng, over = np.random.default_rng(6), np.ones(GRID)
    use = np.zeros(GRID, dtype=bool)
    use[0, :11] = True
    _, told = found_and_told(rng, 1.0, 1.0, over, use)
    assert np.isnan(told).all()


def test_pixels_are_counted_cell_by_cell():
    mask = np.zeros((40, 50), dtype=bool)
    mask[10:20, 30:50] = True
    assert counted(mask, 16).tolist() == [[0, 12, 96, 12], [0, 8, 64, 8], [0, 0, 0, 0]]


def greens(rng, apart, noise):
    """A stack of which both greens are off block by block by ``apart``, with noise in each half."""
    light = 50 + 20 * rng.random((4, 7))
    value = {}
    for plane in ("G1", "G2"):
        blocks = light * (1 + rng.normal(0, apart, light.shape))
        value[plane] = 100 + blocks.repeat(48, axis=0).repeat(48, axis=1)
    layers = {}
    for plane, whole in value.items():
        halves = whole + rng.normal(0, noise, (2, *whole.shape))
        layers |= {
            (plane, "value_a"): halves[0],
            (plane, "value_b"): halves[1],
            (plane, "value"): halves.mean(axis=0),
        }
    surfaces = {plane: Surface(np.full((1, 1), 100.0), whole.shape) for plane, whole in value.items()}
    masks = {"object": np.ones(value["G1"].shape, dtype=bool)}
    return layers, masks, surfaces


@pytest.mark.parametrize("noise", [0.0, 30.0])
def test_greens_tell_how_far_each_may_be_off(noise):
    """Whatever the noise of the lights, which leaving them out shows."""
    rng, found, told = np.random.default_rng(7), [], []
    for _ in range(60):
        layers, masks, surfaces = greens(rng, 0.05, noise)
        told.append(twin_variance(lambda plane, layer, of=layers: of[plane, layer], masks, surfaces, 48)[0])
        means = [float(layers[plane, "value"].mean()) - 100 for plane in ("G1", "G2")]
        found.append(np.log(means[0] / means[1]))
    # a variance of 60 is known to 18 % (chi-square); Student's t of 27 freedoms adds 10 %
    assert np.mean(told) == pytest.approx(np.mean(np.square(found)) / 2, rel=0.45)


def test_greens_that_agree_but_for_the_noise_of_lights_are_not_off():
    layers, masks, surfaces = greens(np.random.default_rng(8), 0.0, 5.0)
    told = twin_variance(lambda plane, layer: layers[plane, layer], masks, surfaces, 48)[0]
    assert np.sqrt(told) < 1e-3


def test_greens_of_a_region_of_few_blocks_cannot_tell():
    layers, masks, surfaces = greens(np.random.default_rng(9), 0.05, 1.0)
    small = np.zeros_like(masks["object"])
    small[:48] = True
    regions = {"small": small, "nothing": np.zeros_like(small)}
    assert np.isnan(twin_variance(lambda plane, layer: layers[plane, layer], regions, surfaces, 48)).all()


def test_light_of_one_star_is_known_worse_than_that_of_many():
    """As of one freedom, Student's t of which is 12.7 in place of 1.96 (tables)."""
    told = []
    for bright in (0.0, 1e4):
        layers, masks, surfaces = greens(np.random.default_rng(11), 0.05, 0.0)
        for plane, off in (("G1", 0.95), ("G2", 1.05)):
            layers[plane, "value"][48:96, 48:96] += bright * off
        told += [twin_variance(lambda plane, layer, of=layers: of[plane, layer], masks, surfaces, 48)[0]]
    assert np.sqrt(told[0]) < 0.02
    assert np.sqrt(told[1]) > 0.05, "it is off by that"


def test_halves_are_held_against_each_other_a_few_rows_at_a_time():
    """Whatever the height: against all at once."""
    rng, hidden = np.random.default_rng(10), np.zeros((530, 70), dtype=bool)
    hidden[100:140, 20:50] = True
    first, second = rng.normal(50, 3, (2, *hidden.shape)).astype(np.float32)
    found = halves_apart(lambda _, layer: first if layer.endswith("a") else second, hidden, 16)
    whole = cell_levels(np.float32(0.5) * (first - second), hidden, 16).level
    for level in found.values():
        np.testing.assert_array_equal(level, whole)
