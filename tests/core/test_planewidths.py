"""Shapes of several colours from one mosaic frame whose stars GalSim drew."""

import numpy as np
import pytest

from fourlight.core.cfa import plane_map
from fourlight.core.pixelprofile import widths_of
from fourlight.core.planewidths import Evidence, Weights, fit_shapes, refined_rest
from fourlight.core.profilerest import no_rest
from mosaic_stars import FINE, Profile, field, painted

CELL, SHAPE = plane_map("GBRG"), (320, 300)
GROUPS = [np.array([0]), np.array([1, 2]), np.array([3])]
TRUE = np.array([2.6, 2.4, 2.4, 2.2])


def fitted(image, place, electrons, groups=GROUPS, wings=0.33, free=True, turns=0):
    x, y = (np.repeat(part[:, None], 4, axis=1) for part in place.T)
    a = 4 / 2.8**2
    flat = np.full(len(place), 1e-5)
    weights = Weights(electrons / 8, flat, 10 * flat, np.array([a, 0.0, a]), 0.3)
    start = np.tile([a, 0.0, a, 0.0, 0.0], (len(groups), 1))
    evidence = Evidence(image.astype(np.float32), CELL, x, y, np.arange(len(place)) % 2, 7)
    found, rest = fit_shapes(evidence, groups, weights, start, wings, no_rest(7), free_wings=free), no_rest(7)
    for _ in range(turns):
        rest = refined_rest(evidence, groups, weights, found, rest)
        found = fit_shapes(evidence, groups, weights, found.shapes, found.wings, rest, free_wings=free)
    return found


@pytest.fixture(scope="module")
def stars():
    return field(np.random.default_rng(1), 40, SHAPE)


@pytest.mark.parametrize(
    "profile", [Profile("moffat", 2.5), Profile("moffat", 4.0, 1.3, 40.0), Profile("gaussian")], ids=str
)
def test_widths_wings_and_direction_are_those_drawn(stars, profile):
    """Each plane has a width of its own; the pixel is not part of it."""
    found = fitted(painted(SHAPE, CELL, *stars[0].T, stars[1], profile, TRUE) + 50.0, *stars)
    assert found.settled
    width, long, angle = np.array([widths_of(shape) for shape in found.shapes]).T
    np.testing.assert_allclose(width, [2.6, 2.4, 2.2], rtol=2e-3)
    np.testing.assert_allclose(long, profile.long, rtol=3e-3)
    if profile.long > 1:
        np.testing.assert_allclose(np.degrees(angle), 40.0, atol=0.5)
    if profile.kind == "moffat":
        assert 1 / found.wings == pytest.approx(profile.beta, rel=0.01)
    else:
        assert 1 / found.wings > 50


def test_shifts_of_a_colour_do_not_change_its_width(stars):
    place, electrons = stars
    image = painted(SHAPE, CELL, *place.T, electrons, Profile("moffat"), TRUE)
    found = fitted(image, place + np.array([0.2, -0.1]), electrons)
    assert widths_of(found.shapes[0])[0] == pytest.approx(2.6, rel=2e-3)
    np.testing.assert_allclose(found.shapes[:, 3:], [[-0.2, 0.1]] * 3, atol=2e-3)


def test_pulls_tell_the_scatter_of_widths_and_of_ratios(stars):
    place, electrons = stars
    clean = painted(SHAPE, CELL, *place.T, electrons, Profile("moffat", 3.5), TRUE) + 200.0
    rng, logs, said = np.random.default_rng(3), [], []
    for _ in range(40):
        found = fitted(rng.poisson(clean), place, electrons)
        logs.append([np.log(widths_of(shape)[0]) for shape in found.shapes])
        pull = np.column_stack([found.pull, found.pull[:, 0] - found.pull[:, 1]])
        assert np.abs(pull.sum(axis=0)).max() < 1e-4
        said.append((pull**2).sum(axis=0))
    log = np.array(logs)
    scatter = np.std(np.column_stack([log, log[:, 0] - log[:, 1]]), axis=0, ddof=1)
    # 40 draws tell a scatter to 11 per cent
    np.testing.assert_allclose(scatter / np.sqrt(np.mean(said, axis=0)), 1.0, atol=0.3)


def test_wings_that_are_held_stay(stars):
    place, electrons = stars
    image = painted(SHAPE, CELL, *place.T, electrons, Profile("moffat", 2.5), TRUE)
    assert fitted(image, place, electrons, wings=0.25, free=False).wings == 0.25


def test_light_without_stars_does_not_raise(stars):
    rng = np.random.default_rng(4)
    found = fitted(rng.normal(100, 10, SHAPE), *stars)
    assert np.isfinite(found.shapes).all()
    assert not found.settled or (found.pull**2).sum(axis=0).max() > 1e-4
    gone = fitted(np.full(SHAPE, np.nan), *stars)
    assert np.isfinite(gone.shapes).all()


@pytest.mark.parametrize("kind", ["coma", "halo", "defocus"])
def test_what_stars_have_in_common_frees_widths_of_where_stars_lie(stars, kind):
    """Without noise all that widths scatter by, from one dither to the next, is what the profile lacks."""
    place, electrons = stars
    rng, logs = np.random.default_rng(6), {0: [], 3: []}
    for _ in range(6):
        moved = place + np.round(rng.uniform(-3, 3, 2) * FINE) / FINE
        image = painted(SHAPE, CELL, *moved.T, electrons, Profile(kind), np.array([2.1, 2.0, 2.0, 2.0]))
        for turns, each in logs.items():
            width = [
                widths_of(shape)[0] for shape in fitted(image + 50.0, moved, electrons, turns=turns).shapes
            ]
            each.append(np.log(np.array(width[::2]) / width[1]))
    scatter = {turns: np.std(each, axis=0).mean() for turns, each in logs.items()}
    assert scatter[3] < 0.5 * scatter[0]
    np.testing.assert_allclose(np.mean(logs[3], axis=0), [np.log(1.05), 0.0], atol=0.004)
