"""An invented nebula: a blown shell with an ionised rim, pillars, filaments, dust and reflected light.

Positions ``u, v`` are over the height of the frame, zero at its centre, so that the object keeps its look at
any size of frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.simulate.galaxy import galaxy
from fourlight.simulate.nebula_parts import (
    blown_shell,
    cloud_wall,
    diffuse_gas,
    dust_lanes,
    globules,
    reflected_light,
    warped,
)
from fourlight.simulate.scene_sky import Object

__all__ = ["Shapes", "shapes"]

FloatArray = npt.NDArray[np.float64]

STAR = (0.03, -0.06)
"""Place of the hot star."""


@dataclass(frozen=True)
class Shapes:
    """Maps of one object, each about 0 to 1 except the dust."""

    halpha: FloatArray
    oiii: FloatArray
    sii: FloatArray
    reflection: FloatArray
    starlight: FloatArray
    dust_mag: FloatArray
    """A(V) in front of everything above and of the stars."""


def shapes(chosen: Object, u: FloatArray, v: FloatArray) -> Shapes:
    """Maps of the object at positions ``u, v`` (each (ny, nx))."""
    if chosen.kind == "none":
        empty = np.zeros_like(u)
        return Shapes(empty, empty, empty, empty, empty, empty)
    if chosen.kind == "disc":
        disc = np.exp(-0.5 * (u**2 + v**2) / (0.25 * chosen.size) ** 2)
        return Shapes(disc, disc, disc, disc, np.zeros_like(u), np.zeros_like(u))
    if chosen.kind == "galaxy":
        parts = galaxy(u, v, chosen.size, chosen.seed)
        return Shapes(
            parts.gas, 0.4 * parts.gas, parts.gas, parts.young, parts.old, chosen.dust_mag * parts.dust
        )
    return _nebula(chosen, u, v)


def _nebula(chosen: Object, u: FloatArray, v: FloatArray) -> Shapes:
    """Everything together. The hot star that lights the nebula stands at the centre of the shell."""
    seed, reach = chosen.seed, 0.5 * chosen.size
    place = warped(u, v, seed + 900, 1.1, 0.16)
    haze = diffuse_gas(place, seed + 100)
    halpha_shell, oiii_shell, veil = blown_shell(u - STAR[0], v - STAR[1], place, reach, seed + 200)
    wall, rim = cloud_wall(u, v, STAR, reach, seed + 300)
    lanes = dust_lanes(place, seed + 400)
    globule_dust, globule_rim = globules(u, v, STAR, reach, seed + 500)
    light = 1.0 / (1.0 + (np.hypot(u - STAR[0], v - STAR[1]) / (1.5 * reach)) ** 2)
    halpha = 0.26 * haze * light + 0.9 * halpha_shell + 0.8 * rim + 0.3 * globule_rim
    oiii = 0.06 * haze * light**3 + 0.85 * oiii_shell + 0.55 * veil
    sii = 0.3 * haze * light + halpha_shell + 1.6 * rim + globule_rim
    dust = np.maximum(np.maximum(0.7 * wall, globule_dust), lanes)
    return Shapes(
        halpha=halpha,
        oiii=oiii * (1.0 - 0.9 * wall),
        sii=sii,
        reflection=reflected_light(u, v, place, seed + 600),
        starlight=0.6 + 0.4 * haze,
        dust_mag=chosen.dust_mag * dust,
    )
