"""Painted stacks for finishing: stars of a known profile on a known cloud, two noisy halves."""

from dataclasses import dataclass

import numpy as np

from fourlight.frames import StarList

COLOUR = {"R": 0.8, "G": 1.0, "B": 0.7}


def moffat(x, y, fwhm_px, size, beta=3.5, over=5):
    """Light of a star of unit flux, averaged over pixels by `over` x `over` points."""
    ny, nx = size
    alpha = 0.5 * fwhm_px / np.sqrt(2 ** (1 / beta) - 1)
    steps = (np.arange(over) + 0.5) / over - 0.5
    v, u = np.arange(ny)[:, None] - y, np.arange(nx)[None, :] - x
    total = np.zeros(size)
    for b in steps:
        for a in steps:
            total += (1 + ((u + a) ** 2 + (v + b) ** 2) / alpha**2) ** -beta
    return total * (beta - 1) / (np.pi * alpha**2) / over**2


def box_round(place, reach, size):
    """The pixels within `reach` of a place x, y, and the place counted from the first of them.

    Beyond ten widths of 4 px a star has 1e-5 of its light, and less than 1e-8 of it in any pixel.
    """
    starts = [max(0, round(at) - reach) for at in place]
    box = tuple(
        slice(start, max(start, min(length, round(at) + reach + 1)))
        for start, at, length in zip(starts[::-1], place[::-1], size, strict=True)
    )
    return box, tuple(at - start for at, start in zip(place, starts, strict=True))


@dataclass
class Painted:
    planes: dict
    variances: dict
    halves: tuple
    stars: StarList
    truth: dict
    cloud: dict
    flux: np.ndarray
    """(n,) in green."""


def paint(
    ny=240,
    nx=320,
    count=40,
    fwhm_px=4.0,
    cloud_e=20.0,
    noise_e=2.0,
    seed=1,
    full=None,
    flux=(2e3, 2e5),
    apart_px=(),
):
    """A stack, brightest stars first and no two of them close, but for those that have another as far ``apart_px``."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ny, :nx]
    cloud = cloud_e * (1.2 + np.sin(x / 37 + 1) * np.sin(y / 29))
    places = []
    while len(places) < count:
        place = rng.uniform(12, nx - 12), rng.uniform(12, ny - 12)
        if all(np.hypot(place[0] - px, place[1] - py) > 5 * fwhm_px for px, py in places):
            places.append(place)
        elif rng.random() < 0.001:
            break
    fluxes = np.sort(np.exp(rng.uniform(*np.log(flux), len(places))))[::-1]
    for k, apart in enumerate(apart_px):
        angle = rng.uniform(0, 2 * np.pi)
        places.append((places[k][0] + apart * np.cos(angle), places[k][1] + apart * np.sin(angle)))
    fluxes = np.concatenate([fluxes, 0.7 * fluxes[: len(apart_px)]])
    lit = np.zeros((ny, nx))
    for place, light in zip(places, fluxes, strict=True):
        box, (px, py) = box_round(place, max(40, round(10 * fwhm_px)), (ny, nx))
        lit[box] += light * moffat(px, py, fwhm_px, lit[box].shape, over=3)
    truth = {c: (share * (lit + cloud) + 50).astype(np.float32) for c, share in COLOUR.items()}
    halves = ({}, {})
    planes, variances = {}, {}
    for c, image in truth.items():
        variance = noise_e**2 + image / 40
        for half in halves:
            half[c] = (image + rng.normal(size=image.shape) * np.sqrt(2 * variance)).astype(np.float32)
            if full is not None:
                half[c] = np.minimum(half[c], np.float32(full))
        planes[c] = (halves[0][c] + halves[1][c]) / 2
        variances[c] = variance.astype(np.float32)
    xs, ys = np.array(places).T if places else (np.zeros(0), np.zeros(0))
    ones = np.ones(len(places))
    stars = StarList(
        xs, ys, np.repeat(fluxes[:, None], 4, axis=1), np.ones((len(places), 4)), fwhm_px * ones, ones,
        np.zeros(len(places), dtype=bool),
    )  # fmt: skip
    return Painted(
        planes, variances, halves, stars, truth,
        {c: (COLOUR[c] * cloud + 50).astype(np.float32) for c in COLOUR}, fluxes,
    )  # fmt: skip


def gain_db(before, after, truth, where=...):
    """How much smaller the error has become."""
    return 10 * np.log10(((before - truth)[where] ** 2).mean() / ((after - truth)[where] ** 2).mean())


def odd_scenes():
    """Names and stacks that are tiny, empty, of one star, full of holes, and full everywhere."""
    nothing = paint(64, 80, count=0, cloud_e=0)
    holes = paint(120, 130, count=6, seed=4)
    rng = np.random.default_rng(2)
    for c in "RGB":
        hole = rng.random(holes.planes[c].shape) < 0.05
        hole[:30, :40] = True
        for image in (holes.planes[c], holes.variances[c], *(half[c] for half in holes.halves)):
            image[hole] = np.nan
    dark = paint(64, 64, count=2)
    for c in "RGB":
        for image in (dark.planes[c], dark.variances[c], *(half[c] for half in dark.halves)):
            image[:] = np.nan
    return {
        "empty sky": nothing,
        "one star": paint(90, 100, count=1, seed=3),
        "holes": holes,
        "nothing covered": dark,
        "one pixel": _cut(paint(40, 40, count=1), slice(0, 1), slice(0, 1)),
        "one row": _cut(paint(40, 60, count=1), slice(3, 4), slice(0, 60)),
        "full": paint(100, 100, count=5, full=60.0),
    }


def _cut(scene, rows, columns):
    def cut(planes):
        return {c: np.ascontiguousarray(image[rows, columns]) for c, image in planes.items()}

    return Painted(
        cut(scene.planes), cut(scene.variances), tuple(cut(half) for half in scene.halves), scene.stars,
        cut(scene.truth), cut(scene.cloud), scene.flux,
    )  # fmt: skip
