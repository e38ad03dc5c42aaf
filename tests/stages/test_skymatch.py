"""Sky differences between frames: painted differences come back, the object does not count as sky."""

import dataclasses

import numpy as np
import pytest

from fields import measured_frame, star_list, turned
from fourlight.core.samples import polynomial_terms
from fourlight.frames import RegisteredFrame
from fourlight.stages.skymatch import pixel_scale, sky_differences

SHAPE = (640, 960)
CELLS = (10, 15)


def grid():
    y = (np.arange(CELLS[0]) + 0.5) * SHAPE[0] / CELLS[0] - 0.5
    x = (np.arange(CELLS[1]) + 0.5) * SHAPE[1] / CELLS[1] - 0.5
    return np.meshgrid(x, y)


def light(x, y):
    """The object, in stack pixels: a nebula and the reference's own sky gradient, different in each plane."""
    glow = 200 + 0.05 * x + 80 * np.exp(-((x - 480) ** 2 + (y - 320) ** 2) / (2 * 160**2))
    return np.stack([f * glow for f in (0.5, 1.0, 1.0, 0.7)])


def frame(name, level):
    empty = star_list(np.empty(0), np.empty(0), np.empty((0, 4)))
    return dataclasses.replace(measured_frame(name, empty, SHAPE), sky_map=level.astype(np.float32))


def placed(matrix, extra, transparency, noise=0.0, seed=1):
    x, y = grid()
    u, v = (
        matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2],
        matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2],
    )
    area = abs(np.linalg.det(matrix[:, :2]))
    level = area * np.asarray(transparency)[:, None, None] * light(u, v) + extra(
        2 * x / 959 - 1, 2 * y / 639 - 1
    )
    level = level + np.random.default_rng(seed).normal(0, noise, level.shape)
    return RegisteredFrame(frame("b.fits", level), matrix, 0.1, 100, np.asarray(transparency, dtype=float))


def moon(u, v):
    return np.stack([f * (60 + 25 * u - 10 * v + 8 * u * v + 5 * u**2) for f in (1.0, 1.5, 1.5, 2.0)])


REFERENCE = frame("a.fits", light(*grid()))
STILL = np.array([[1.0, 0, 0], [0, 1.0, 0]])


def sky_difference(frame, reference, order):
    """Of a frame alone."""
    return sky_differences([frame], reference, order)[0][0]


def surface(coefficients, u, v, order=2):
    terms = polynomial_terms(order)
    return np.stack(
        [sum(c[k] * u ** terms[k, 0] * v ** terms[k, 1] for k in range(len(terms))) for c in coefficients]
    )


def test_the_reference_has_no_difference():
    assert not sky_difference(RegisteredFrame(REFERENCE, STILL, 0.0, 0), REFERENCE, 3).any()


@pytest.mark.parametrize(
    ("degrees", "scale", "shift", "transparency"),
    [
        (0, 1.0, (0, 0), (1, 1, 1, 1)),
        (180, 1.0, (9, -7), (0.7, 0.72, 0.72, 0.65)),
        (25, 1.3, (20, 10), (0.9,) * 4),
    ],
)
def test_a_painted_difference_comes_back(degrees, scale, shift, transparency):
    matrix = turned(degrees, scale, shift, (479.5, 319.5))
    found = sky_difference(placed(matrix, moon, transparency), REFERENCE, 2)
    u, v = np.meshgrid(np.linspace(-0.7, 0.7, 7), np.linspace(-0.7, 0.7, 7))
    # cells of 64 px do not resolve the nebula's curvature wholly: 1 per cent of 80
    np.testing.assert_allclose(surface(found, u, v), moon(u, v), atol=2.0)


def test_an_object_that_cells_do_not_resolve_hardly_counts():
    """A nebula of 80, cut into other cells: taken at full weight, the sky of the frame is missed by up to 2.0."""
    found = sky_difference(
        placed(turned(3, 1.0, (100, 30), (479.5, 319.5)), dark, (1, 1, 1, 1)), REFERENCE, 2
    )
    u, v = np.meshgrid(np.linspace(-1, 1, 20), np.linspace(-1, 1, 20))
    assert np.abs(surface(found, u, v)).max() < 0.5


def test_clouded_cells_lose_their_say():
    case = placed(STILL, moon, (1, 1, 1, 1), noise=0.5)
    level = case.measured.sky_map.copy()
    level[:, 2:4, 3:8] += 400
    level[:, 7, 7] = np.nan
    bent = dataclasses.replace(case, measured=frame("c.fits", level))
    u, v = np.meshgrid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
    np.testing.assert_allclose(surface(sky_difference(bent, REFERENCE, 2), u, v), moon(u, v), atol=1.5)


@pytest.mark.parametrize("order", [0, 1, 3, 4])
def test_any_order_of_the_recipe(order):
    flat = placed(STILL, lambda u, v: np.full((4, *u.shape), 33.0), (1, 1, 1, 1))
    found = sky_difference(flat, REFERENCE, order)
    np.testing.assert_allclose(found[:, 0], 33.0, atol=1e-3)
    np.testing.assert_allclose(found[:, 1:], 0.0, atol=1e-3)


def test_small_overlap_lowers_the_order_and_none_gives_zero():
    edge = turned(0, 1, (820, 0), (0, 0))
    found = sky_difference(placed(edge, moon, (1, 1, 1, 1)), REFERENCE, 4)
    assert not found[:, polynomial_terms(4).sum(axis=1) > 1].any()
    # on the two columns of cells that lie on the reference
    v = np.linspace(-0.9, 0.9, 7)
    u = np.full(7, -0.86)
    np.testing.assert_allclose(surface(found, u, v, 4), moon(u, v), atol=2.0)
    away = turned(0, 1, (5000, 0), (0, 0))
    assert not sky_difference(placed(away, moon, (1, 1, 1, 1)), REFERENCE, 2).any()
    nothing = RegisteredFrame(frame("n.fits", np.full((4, *CELLS), np.nan)), STILL, 0.0, 0)
    assert not sky_difference(nothing, REFERENCE, 2).any()


def test_larger_pixels_gather_more_light():
    # a pixel that is 1.3 times as wide covers 1.69 times the sky
    wide = placed(turned(30, 1.3, (0, 0), (0, 0)), moon, (0.5, 0.6, 0.6, 0.7))
    np.testing.assert_allclose(pixel_scale(wide), 1.69 * np.array([0.5, 0.6, 0.6, 0.7]))


def test_lights_that_overlap_in_part_are_not_bound_to_the_noise_of_one(monkeypatch):
    """Twelve lights lie on the reference, twelve on its right half: the step in the sky where those begin.

    Compared with the mean of all 25 instead of with one, the noise of one falls to sqrt(1 / 13 + 1 / 12) of it, 0.4;
    0.7 is asked for, of steps that are known to a tenth.
    """
    # An even object: one that cells do not resolve adds the same to both.
    monkeypatch.setitem(globals(), "light", lambda x, _: np.full((4, *np.shape(x)), 200.0))
    half = np.array([[1.0, 0, 480], [0, 1.0, 0]])
    v, steps = np.linspace(-1, 1, 50), {True: [], False: []}
    rng = np.random.default_rng(4)
    for _ in range(10):
        reference = frame("a.fits", light(*grid()) + rng.normal(0, 3, (4, *CELLS)))
        first = RegisteredFrame(reference, STILL, 0.0, 0)
        lights = [
            placed(m, dark, np.ones(4), 3, seed=int(rng.integers(1e9))) for m in [STILL] * 12 + [half] * 12
        ]
        for together in (True, False):
            found = [sky_differences([first, one], reference, 2)[0][1] for one in lights]
            if together:
                found = list(sky_differences([first, *lights], reference, 2)[0][1:])
            middle = np.mean([surface(c, 0 * v, v) for c in found[:12]], axis=0)
            edge = np.mean([surface(c, 0 * v - 1, v) for c in found[12:]], axis=0)
            steps[together].append(edge - middle)
    ours, single = (np.sqrt(np.mean(np.square(steps[key]))) for key in (True, False))
    assert ours < 0.7 * single


def dark(u, v):
    return 0 * moon(u, v)


def test_the_error_of_the_surface_is_what_it_strays_by(monkeypatch):
    """Of lights of pure noise: actual error of the fitted surface over the claimed one, rms over 40 lights."""
    monkeypatch.setitem(globals(), "light", lambda x, _: np.full((4, *np.shape(x)), 200.0))
    x, y = grid()
    u, v = 2 * x / 959 - 1, 2 * y / 639 - 1
    reference = frame("a.fits", light(x, y))
    lights = [placed(STILL, dark, np.ones(4), 3, seed=k) for k in range(40)]
    found = [sky_differences([one], reference, 2) for one in lights]
    actual = np.array([np.sqrt(np.mean(surface(fit[0], u, v) ** 2, axis=(1, 2))) for fit, _ in found])
    claimed = np.array([error[0] for _, error in found])
    # 160 surfaces of 6 numbers each: 1 / sqrt(2 * 960) = 2.3 per cent
    assert np.sqrt(np.mean(actual**2) / np.mean(claimed**2)) == pytest.approx(1, abs=0.06)
    # least squares: six numbers from 150 cells leave sqrt(6 / 150) of the noise of one; the biweight has an efficiency
    # of 0.95 (Holland & Welsch 1977)
    assert np.sqrt(np.mean(claimed**2)) == pytest.approx(3 * np.sqrt(6 / 150 / 0.95), rel=0.05)
