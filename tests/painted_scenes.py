"""Painted stacks with known truth for the tests of the picture: not physics, only plausible light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from fourlight.frames import StarList


@dataclass
class Scene:
    """A stack as `finish` takes it, and what it was painted from."""

    planes: dict[str, np.ndarray]
    variances: dict[str, np.ndarray]
    halves: tuple[dict[str, np.ndarray], dict[str, np.ndarray]]
    stars: StarList
    truth: dict[str, np.ndarray]
    glow: dict[str, np.ndarray]
    """The truth without stars."""
    colour: np.ndarray
    """(n, 3) light of each star in R, G, B."""


RESPONSE = {"R": 0.75, "G": 1.0, "B": 0.62}
"""Camera response to neutral light."""


def filaments(rng, ny, nx):
    """A cloud with bright edges, 0 to 1."""
    cloud = np.zeros((ny, nx))
    for octave in range(6):
        size = max(min(ny, nx) / 2 ** (octave + 1.5), 1.2)
        noise = ndimage.gaussian_filter(rng.normal(size=(ny, nx)), size, mode="reflect")
        noise /= noise.std() + 1e-12
        cloud += (1 - np.abs(noise)) * 0.6**octave
    cloud -= np.quantile(cloud, 0.3)
    y, x = np.mgrid[:ny, :nx]
    hill = np.exp(-(((y - 0.52 * ny) / (0.22 * ny)) ** 2 + ((x - 0.45 * nx) / (0.26 * nx)) ** 2))
    return np.clip(cloud, 0, None) / cloud.max() * hill


def add_star(image, x, y, flux, sigma):
    """Add a Gaussian with wings at a position."""
    reach = int(min(14 * sigma + 4, max(image.shape)))
    y0, y1 = max(0, int(y) - reach), min(image.shape[0], int(y) + reach + 1)
    x0, x1 = max(0, int(x) - reach), min(image.shape[1], int(x) + reach + 1)
    gy, gx = np.mgrid[y0:y1, x0:x1]
    r2 = (gx - x) ** 2 + (gy - y) ** 2
    profile = (1 + r2 / (2 * 3 * sigma**2)) ** -3
    image[y0:y1, x0:x1] += flux * profile * 2 / (2 * 3 * np.pi * sigma**2)


def star_colours(rng, n):
    """Light in R, G, B of stars from blue to red, green = 1."""
    warm = np.clip(rng.normal(0.15, 0.45, n), -0.8, 1.5)
    return np.stack([np.exp(0.7 * warm), np.ones(n), np.exp(-0.9 * warm)], axis=1)


def paint(
    *,
    kind="broadband",
    ny=400,
    nx=600,
    stars=150,
    sigma=1.3,
    frames=20,
    noise=12.0,
    full=60000.0,
    seed=1,
    gradient=0.4,
    brightest=3e6,
) -> Scene:
    """Paint a stack; ``noise`` is the sigma per frame and pixel at the sky, light is in electrons."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ny, :nx] / max(ny, nx)
    sky = {"R": 160.0, "G": 140.0, "B": 90.0}
    truth = {name: np.zeros((ny, nx)) for name in "RGB"}
    if kind in ("broadband", "dual"):
        shape = filaments(rng, ny, nx)
        outer = ndimage.gaussian_filter(shape, 0.01 * nx) + 0.35 * np.exp(
            -(((y - 0.3) / 0.12) ** 2 + ((x - 0.55) / 0.16) ** 2)
        )
        parts = {
            "broadband": ((1.0, 0.3, 0.28), (0.1, 0.5, 0.4)),
            "dual": ((1.0, 0.05, 0.03), (0.02, 0.5, 0.31)),
        }
        for c, name in enumerate("RGB"):
            truth[name] += 260 * shape * parts[kind][0][c] + 70 * outer * parts[kind][1][c]
    if kind == "galaxy":
        u = (x - 0.5) * 0.9 + (y - 0.33) * 0.4
        v = ((y - 0.33) * 0.9 - (x - 0.5) * 0.4) * 2.4
        r, angle = np.hypot(u, v), np.arctan2(v, u)
        arms = 1 + 0.7 * np.cos(2 * angle - 14 * np.sqrt(r + 1e-9) * 2)
        disc, bulge = 160 * np.exp(-r / 0.07) * arms, 2500 * np.exp(-np.sqrt(r / 0.0015))
        for name, a, b in zip("RGB", (0.85, 1.0, 1.15), (1.25, 1.0, 0.7), strict=True):
            truth[name] += RESPONSE[name] * (a * disc + b * bulge)
    glow = {name: light.copy() for name, light in truth.items()}
    flux = brightest * np.sort(rng.pareto(0.9, stars) + 1)[::-1] ** 1.0
    flux = flux / (flux.max() if stars else 1) * brightest
    sx, sy = rng.uniform(2, nx - 3, stars), rng.uniform(2, ny - 3, stars)
    colours = star_colours(rng, stars)
    for c, name in enumerate("RGB"):
        for k in range(stars):
            add_star(
                truth[name], sx[k], sy[k], flux[k] * colours[k, c] * RESPONSE[name], sigma * (1 + 0.05 * c)
            )
    saturated = np.zeros(stars, dtype=bool)
    for k in range(stars):
        saturated[k] = any(truth[n][round(sy[k]), round(sx[k])] + sky[n] > full for n in "RGB")
    planes, variances, first, second = {}, {}, {}, {}
    for c, name in enumerate("RGB"):
        ramp = 1 + gradient * (x * (0.6 + 0.2 * c) + y * (0.5 - 0.2 * c) + 0.4 * x * y)
        level = np.minimum(truth[name] + sky[name] * ramp, full)
        variance = (level + noise**2) / frames
        half = [level + rng.normal(size=level.shape) * np.sqrt(2 * variance) for _ in range(2)]
        first[name], second[name] = (h.astype(np.float32) for h in half)
        planes[name] = ((first[name] + second[name]) / 2).astype(np.float32)
        variances[name] = variance.astype(np.float32)
    plane_flux = flux[:, None] * colours[:, [0, 1, 1, 2]] if stars else np.zeros((0, 4))
    listed = StarList(
        sx,
        sy,
        plane_flux,
        plane_flux * 0.01,
        np.full(stars, 2.355 * sigma),
        np.ones(stars),
        saturated,
    )
    return Scene(planes, variances, (first, second), listed, truth, glow, colours)
