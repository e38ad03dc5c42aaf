"""Everything that the exposures of a scene share: light path, object, stars, sensor and point spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from fourlight.simulate.detector import Detector, detector
from fourlight.simulate.emission import Emission, emission
from fourlight.simulate.light import Throughput, throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.psf import Profile
from fourlight.simulate.scene import Scene
from fourlight.simulate.starfield import StarField, star_field

__all__ = ["World", "box_of", "build_world"]


@dataclass(frozen=True)
class World:
    """What there is to look at, and what looks at it."""

    scene: Scene
    light: Throughput
    emission: Emission
    stars: StarField
    detector: Detector
    profile: Profile


def build_world(scene: Scene, plans: list[LightPlan] | None = None) -> World:
    """World of a scene over the area that its lights cover."""
    light = throughput(scene)
    plans = plan_lights(scene, light) if plans is None else plans
    shapes = emission(scene, light, box_of(scene, plans))
    stars = star_field(scene, light, shapes)
    beta = scene.optics.moffat_beta if scene.optics.profile == "moffat" else 0.0
    return World(scene, light, shapes, stars, detector(scene), Profile(beta))


def box_of(scene: Scene, plans: list[LightPlan]) -> tuple[int, int, int, int]:
    """Corner and size of the part of the truth grid that holds all frames, with a margin for the blur."""
    nx, ny = scene.camera.width_px, scene.camera.height_px
    corners = np.array([[0, 0, 1], [nx, 0, 1], [0, ny, 1], [nx, ny, 1]], dtype=float)
    points = np.concatenate([corners @ plan.matrix.T for plan in plans] + [corners[:, :2]])
    widest = max(float(np.hypot(plan.fwhm_px.max(), plan.smear_px)) for plan in plans)
    margin = 8.0 + 4.0 * widest
    x0, y0 = (int(value) for value in np.floor(points.min(axis=0) - margin))
    x1, y1 = (int(value) for value in np.ceil(points.max(axis=0) + margin))
    return x0, y0, fft.next_fast_len(x1 - x0, real=True), fft.next_fast_len(y1 - y0, real=True)
