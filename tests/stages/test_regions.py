"""Regions of a painted stack: the object and the sky where they were painted, and light above the sky as it was."""

import numpy as np
import pytest

from fourlight.core.regionsums import STEEP
from fourlight.frames import StarList
from fourlight.stages.regions import _steep, find_regions

SHAPE = (320, 400)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
PLANES = {"R": 0.8, "G1": 1.0, "G2": 1.0, "B": 0.6, "G": 1.0}
NOISE = 2.0
FULL = np.full(4, 50_000.0)


def stars_at(x, y, flux, saturated=False):
    x, y = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
    n = len(x)
    light = np.full((n, 4), float(flux))
    return StarList(x, y, light, 0.01 * light, np.full(n, 3.0), np.ones(n), np.full(n, saturated))


NO_STARS = stars_at([], [], 1)


def painted(light, seed=1, sky=200.0, slope=0.0, fall=0.0):
    """Planes and halves of a stack with this light (ny, nx) in G, and sky with a slope and a fall to the corners."""
    bent = fall * ((X / SHAPE[1] - 0.5) ** 2 + (Y / SHAPE[0] - 0.5) ** 2)
    rng = np.random.default_rng(seed)
    layers = {}
    for plane, share in PLANES.items():
        base = share * light + share * sky * (1 - bent + slope * (X / SHAPE[1] - 0.5))
        a, b = (base + rng.normal(0, NOISE * np.sqrt(2), SHAPE) for _ in range(2))
        layers[plane, "value_a"], layers[plane, "value_b"] = a.astype(np.float32), b.astype(np.float32)
        layers[plane, "value"] = ((a + b) / 2).astype(np.float32)
    return lambda plane, layer: layers[plane, layer]


def masks(found):
    return {name: (found.labels >> k & 1).astype(bool) for k, name in enumerate(found.names)}


def disc(radius, height):
    return height * np.exp(-0.5 * ((X - 220) ** 2 + (Y - 150) ** 2) / radius**2)


@pytest.mark.parametrize("slope", [0.0, 0.1])
def test_object_and_sky_are_found_and_the_sky_is_taken_off(slope):
    light = disc(35, 60.0)
    found = find_regions(painted(light, slope=slope), NO_STARS, {}, FULL)
    here = masks(found)
    assert set(found.names) == {"object", "sky"}
    assert not found.filled
    assert here["object"][140:160, 210:230].all()
    assert light[here["sky"]].max() < 3.0
    assert not here["object"][light < 0.01].any()
    signal = found.signal[found.names.index("object")]
    expected = light[here["object"]].mean()
    for k, share in enumerate(PLANES.values()):
        assert signal[k] == pytest.approx(share * expected, abs=0.15)


def test_faint_light_that_fills_the_field_is_said_and_the_darkest_is_sky():
    rng = np.random.default_rng(4)
    waves = (
        30
        + 25 * np.sin(X / 47 + 2) * np.cos(Y / 61)
        + 6 * np.sin((X + 2 * Y) / 23)
        + rng.normal(0, 0.1, SHAPE)
    )
    waves -= waves.min()
    found = find_regions(painted(waves), NO_STARS, {}, FULL)
    assert found.filled
    assert waves[masks(found)["sky"]].mean() < 8.0
    assert found.signal[found.names.index("object"), 4] == pytest.approx(
        waves[masks(found)["object"]].mean(), abs=8.0
    )


def test_stars_are_a_region_and_their_surroundings_steep():
    stars = stars_at([60.0, 300.0], [60.0, 250.0], 4000)
    light = sum(
        1000 * np.exp(-0.5 * ((X - x) ** 2 + (Y - y) ** 2) / 1.3**2)
        for x, y in zip(stars.x, stars.y, strict=True)
    )
    found = find_regions(painted(light), stars, {"all": (0, 0, 400, 320)}, FULL)
    here = masks(found)
    assert here["stars"].sum() == 2 * 29, "discs of radius 3"
    assert not (here["sky"] & (light > 1)).any()
    assert (found.labels[light > 50] >> STEEP == 1).all()
    assert here["all"].all()


@pytest.mark.parametrize("holes", [0.0, 0.25])
def test_light_that_is_steep_in_one_colour_of_few_lights_is_found(holes):
    """Halves of few lights have holes where no sample of red or blue fell; a red star, and noise elsewhere."""
    rng, noise, star = np.random.default_rng(5), painted(np.zeros(SHAPE)), np.hypot(X - 200, Y - 150) < 4

    def holed(plane, layer):
        image = noise(plane, layer) + np.where(star & (plane == "R"), np.float32(200), np.float32(0))
        return np.where(rng.random(SHAPE) < holes, np.float32(np.nan), image) if plane in "RB" else image

    steep = _steep(holed)
    assert steep[np.abs(np.hypot(X - 200, Y - 150) - 4) < 1].all()
    assert steep[np.hypot(X - 200, Y - 150) > 20].mean() < 0.02


def test_full_stars_are_no_stars_to_measure():
    stars = stars_at([60.0], [60.0], 4000, saturated=True)
    light = 1000 * np.exp(-0.5 * ((X - 60) ** 2 + (Y - 60) ** 2) / 1.3**2)
    found = find_regions(painted(light), stars, {"all": (0, 0, 400, 320)}, FULL)
    assert "stars" not in found.names
    assert not masks(found)["sky"][light > 1].any()
    assert masks(found)["all"].all(), "their wings are light like any other"


def test_full_light_that_is_no_star_counts_nowhere():
    light = np.where((np.abs(X - 60) < 5) & (np.abs(Y - 60) < 5), 60_000.0, 0.0)
    found = find_regions(painted(light), NO_STARS, {"all": (0, 0, 400, 320)}, FULL)
    assert not masks(found)["all"][light > 0].any()
    assert found.signal[found.names.index("all"), 4] < 1.0


@pytest.mark.parametrize("height", [0.0, 60.0])
def test_a_sky_bent_by_optics_is_no_object(height):
    """Light falls by a tenth to the corners where no flat was given: 20 e, forty times the error of a cell."""
    found = find_regions(painted(disc(30, height), fall=0.2), NO_STARS, {}, FULL)
    assert not found.filled
    assert set(found.names) == ({"object", "sky"} if height else {"sky"})
    if height:
        signal, light = found.signal[found.names.index("object")], disc(30, height)
        assert signal[4] == pytest.approx(light[masks(found)["object"]].mean(), rel=0.05)


def test_halos_left_of_a_bright_star_are_no_object():
    light = disc(5, 20.0)
    found = find_regions(painted(light), stars_at(220, 150, 50_000.0), {}, FULL)
    assert "object" not in found.names


def test_empty_sky_has_no_object():
    found = find_regions(painted(np.zeros(SHAPE)), NO_STARS, {}, FULL)
    assert found.names == ("sky",)
    assert found.signal[0, 4] == pytest.approx(200, abs=0.1)


def test_what_is_not_covered_is_in_no_region():
    read = painted(disc(35, 60.0))
    for plane in PLANES:
        read(plane, "value")[:, :100] = np.nan
    found = find_regions(read, NO_STARS, {"left": (0, 0, 90, 320), "part": (90, 0, 120, 320)}, FULL)
    assert "left" not in found.names
    assert masks(found)["part"][:, 100:120].all()
    assert not (found.labels[:, :100]).any()


def test_no_pixel_of_all_colours_is_no_region(recwarn):
    """Three lights that were not dithered, with small drops: red, green and blue lie beside each other."""
    read = painted(disc(35, 60.0))
    holes = {"R": (0, 0), "G1": (0, 1), "G2": (1, 0), "B": (1, 1)}

    def sparse(plane, layer):
        image = np.full(SHAPE, np.nan, np.float32)
        for y, x in [holes[plane]] if plane in holes else [holes["G1"], holes["G2"]]:
            image[y::2, x::2] = read(plane, layer)[y::2, x::2]
        return image

    found = find_regions(sparse, stars_at([200.0], [150.0], 4000.0), {"box": (0, 0, 50, 50)}, FULL)
    assert found.names == ()
    assert found.signal.shape == (0, 5)
    assert not found.labels.any()
    assert not recwarn.list


def test_light_is_that_of_the_pixels_a_plane_covers():
    """A third of one green as holes: its mean is that of the rest, not two thirds of it."""
    read, rng = painted(disc(35, 60.0)), np.random.default_rng(3)
    gone = rng.random(SHAPE) < 1 / 3

    def holed(plane, layer):
        return np.where(gone, np.float32(np.nan), read(plane, layer)) if plane == "G1" else read(plane, layer)

    found = find_regions(holed, NO_STARS, {}, FULL)
    for name in ("object", "sky"):
        signal = found.signal[found.names.index(name)]
        assert signal[1] == pytest.approx(signal[2], abs=0.3)
