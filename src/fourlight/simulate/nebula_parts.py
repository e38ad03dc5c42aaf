"""The parts of an invented nebula. Positions are over the height of the frame, maps about 0 to 1.

Shapes only, no physics beyond what makes them look right: gas is bright where it faces the hot star, a hollow
shell is brightest at its limb, dust is thick where filaments cross.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.simulate.noise import octaves, ridges

__all__ = ["blown_shell", "cloud_wall", "diffuse_gas", "dust_lanes", "globules", "reflected_light", "warped"]

FloatArray = npt.NDArray[np.float64]
Place = tuple[FloatArray, FloatArray]


def warped(u: FloatArray, v: FloatArray, seed: int, frequency: float, strength: float) -> Place:
    """Positions pushed about by noise, so that what is drawn at them looks stirred."""
    x, y = u * frequency, v * frequency
    first = octaves(x, y, seed, 3, 0.5), octaves(x, y, seed + 17, 3, 0.5)
    x, y = x + 0.9 * first[0], y + 0.9 * first[1]
    return (
        u + strength * octaves(x + 5.2, y + 1.3, seed + 31, 5, 0.5),
        v + strength * octaves(x + 1.7, y + 9.2, seed + 47, 5, 0.5),
    )


def smooth_step(x: FloatArray, low: float, high: float) -> FloatArray:
    """0 below ``low``, 1 above ``high``, smooth between."""
    t = np.clip((x - low) / (high - low), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def threads(x: FloatArray, y: FloatArray, seed: int) -> FloatArray:
    """Fine branching filaments on a dark ground, 0 to 1: crests of two sizes."""
    coarse = ridges(x, y, seed, 6, 0.62, 5)
    fine = ridges(2.7 * x + 4.0, 2.7 * y, seed + 71, 6, 0.72, 4)
    return np.asarray(smooth_step(0.62 * coarse + 0.38 * fine, 0.10, 0.62))


def diffuse_gas(place: Place, seed: int) -> FloatArray:
    """Faint gas everywhere: stirred cloud with fine creases."""
    x, y = place
    cloud = smooth_step(octaves(2.0 * x, 2.0 * y, seed, 7, 0.58), -0.30, 0.40)
    return np.asarray(cloud * (0.30 + 1.1 * threads(2.6 * x, 2.6 * y, seed + 5)))


def blown_shell(
    u: FloatArray, v: FloatArray, place: Place, reach: float, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hollow shell about the star: its Hα, its [OIII] farther in, and thin strands of [OIII]."""
    angle = np.arctan2(v, u)
    lobe = octaves(1.2 * np.cos(angle), 1.2 * np.sin(angle), seed, 4, 0.55)
    ragged = octaves(6.0 * place[0], 6.0 * place[1], seed + 3, 6, 0.6)
    r = np.hypot(u, 1.12 * v) / (reach * (1.0 + 0.40 * lobe + 0.14 * ragged))
    thread = threads(3.6 * place[0], 3.6 * place[1], seed + 7)
    strand = ridges(2.2 * place[0] + 3.0, 2.2 * place[1], seed + 11, 6, 0.6, 10)
    clumps = smooth_step(octaves(2.5 * place[0], 2.5 * place[1], seed + 13, 5, 0.6), -0.35, 0.35)
    beyond = np.exp(-3.5 * np.maximum(r - 1.0, 0.0)) * smooth_step(r, 0.85, 1.05)
    outer = _limb(r, 1.0, 0.84) * (0.10 + 1.1 * thread) * (0.35 + 0.65 * clumps) + 0.30 * beyond * thread
    inner = _limb(r, 0.90, 0.66) * (0.12 + 1.0 * thread) * (0.3 + 0.7 * clumps)
    veil = smooth_step(strand, 0.12, 0.85) * smooth_step(1.1 - r, 0.0, 0.4)
    return outer, inner, veil


def _limb(r: FloatArray, outside: float, inside: float) -> FloatArray:
    """Length of the line of sight through a hollow ball, 1 at its brightest."""
    deep = np.sqrt(np.maximum(outside**2 - r**2, 0.0)) - np.sqrt(np.maximum(inside**2 - r**2, 0.0))
    return np.asarray(deep / np.sqrt(outside**2 - inside**2))


def cloud_wall(
    u: FloatArray, v: FloatArray, star: tuple[float, float], reach: float, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Dark cloud in one corner, eaten into pillars by the star: its dust, and its bright rim."""
    du, dv = u - star[0], v - star[1]
    r, angle = np.hypot(du, dv), np.arctan2(dv, du)
    pushed = octaves(2.4 * u, 2.4 * v, seed, 6, 0.55)
    bent = angle + 0.10 * octaves(5.0 * u, 5.0 * v, seed + 3, 4, 0.55)
    columns = octaves(4.5 * np.cos(bent) + r, 4.5 * np.sin(bent) + r, seed + 5, 3, 0.6)
    fine = octaves(9.0 * u, 9.0 * v, seed + 9, 6, 0.62)
    along = -0.62 * u + 0.78 * v
    depth = along - 0.30 + 0.22 * pushed + 0.20 * columns + 0.035 * fine
    dust = smooth_step(depth, -0.008, 0.07) * (0.72 + 0.8 * octaves(4 * u, 4 * v, seed + 13, 6, 0.6))
    gy, gx = np.gradient(depth)
    steep = np.hypot(gx, gy) + 1e-12
    facing = np.clip(-(gx * du + gy * dv) / (steep * np.maximum(r, 1e-3)) * -1.0, 0.0, 1.0)
    inward, outward = np.minimum(depth, 0.0), np.maximum(depth, 0.0)
    skin = np.where(depth < 0.0, np.exp(inward / 0.012), np.exp(-outward / 0.004))
    glow = np.where(depth < 0.0, np.exp(inward / 0.06), 0.0)
    strength = 1.0 / (1.0 + (r / (1.6 * reach)) ** 2)
    return np.clip(dust, 0.0, 1.0), np.asarray((skin * facing + 0.22 * glow) * strength)


def dust_lanes(place: Place, seed: int) -> FloatArray:
    """Dark branching lanes in front of the gas."""
    x, y = place
    lane = ridges(1.5 * x + 0.6 * y, 1.5 * y - 0.6 * x, seed, 6, 0.6, 4)
    where = smooth_step(octaves(1.3 * x, 1.3 * y, seed + 3, 3, 0.5), -0.05, 0.35)
    return np.asarray(0.55 * where * smooth_step(lane, 0.25, 0.75))


def globules(
    u: FloatArray, v: FloatArray, star: tuple[float, float], reach: float, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Small dark knots near the shell with a bright edge towards the star and a torn tail away from it."""
    rng = np.random.default_rng(seed)
    dust, rim = np.zeros_like(u), np.zeros_like(u)
    rough = octaves(16.0 * u, 16.0 * v, seed, 5, 0.65), octaves(16.0 * u, 16.0 * v, seed + 9, 5, 0.65)
    for _ in range(14):
        angle, far = rng.uniform(-0.6, 3.6), reach * rng.uniform(0.55, 1.25)
        size = 0.0035 * np.exp(rng.uniform(0.0, 1.3))
        x, y = star[0] + far * np.cos(angle), star[1] + far * np.sin(angle)
        near = _window(u, v, x, y, 10.0 * size)
        du, dv = u[near] - x + 1.6 * size * rough[0][near], v[near] - y + 1.6 * size * rough[1][near]
        away = (du * np.cos(angle) + dv * np.sin(angle)) / size
        across = (dv * np.cos(angle) - du * np.sin(angle)) / size
        knot, edge = _globule(away, across)
        dust[near] = np.maximum(dust[near], knot)
        rim[near] += edge
    return dust, np.minimum(rim, 1.0)


def _globule(away: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Dust and rim of one knot; ``away`` points from the star, both in units of its size."""
    behind = np.maximum(away, 0.0)
    r = np.hypot(np.where(away > 0.0, away / 4.0, away), across * (1.0 + 0.12 * behind))
    dust = 0.75 * smooth_step(1.3 - r, 0.0, 0.8) / (1.0 + 0.15 * behind)
    return dust, np.exp(-(((r - 1.3) / 0.3) ** 2)) * smooth_step(-away, -0.8, 0.6)


def _window(u: FloatArray, v: FloatArray, x: float, y: float, reach: float) -> tuple[slice, slice]:
    """Part of the maps within ``reach`` of a place; ``u`` grows along rows and ``v`` down columns."""
    i = np.searchsorted(u[0], [x - reach, x + reach])
    j = np.searchsorted(v[:, 0], [y - reach, y + reach])
    return slice(int(j[0]), int(j[1])), slice(int(i[0]), int(i[1]))


def reflected_light(u: FloatArray, v: FloatArray, place: Place, seed: int) -> FloatArray:
    """Dust about the cluster, lit by its stars."""
    crease = ridges(5.0 * place[0], 5.0 * place[1], seed, 6, 0.6, 3)
    r = np.hypot(u - 0.45, v + 0.25)
    return np.asarray((0.3 + 1.2 * crease) / (1.0 + (r / 0.10) ** 2) ** 1.3)
