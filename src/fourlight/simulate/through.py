"""Stacks of a scene through any camera and filter, with dyes before its pixels or without."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.sensor.response import MONO
from fourlight.sensor.rig import Rig
from fourlight.simulate.detector import detector
from fourlight.simulate.emission import emission
from fourlight.simulate.exposure import expected_light, light_frame
from fourlight.simulate.light import Throughput
from fourlight.simulate.plan import LightPlan, plan_lights
from fourlight.simulate.psf import Profile
from fourlight.simulate.scene import Scene
from fourlight.simulate.starfield import star_field
from fourlight.simulate.world import World, box_of

__all__ = ["Exposed", "light_behind", "of_one_channel", "one_light", "summed", "world_through"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Exposed:
    """So many subs with light that is the same in all of them, or its mean."""

    subs: int
    sub_s: float
    passed: float
    """Part of the object's light that air lets through."""
    sky_e_s: FloatArray
    """(3,) electrons per second of a pixel of red, green and blue, or three times of one without dyes."""


def light_behind(rig: Rig) -> Throughput:
    """Light path of a camera with its filter and optics; three times the same where the camera has no dyes."""

    def electrons(wave_nm: FloatArray) -> FloatArray:
        curves = rig.path.at(wave_nm) * rig.passed
        return np.repeat(curves, 3, axis=0) if rig.channels == MONO else curves

    return Throughput.of(electrons, rig.optics.area_cm2)


def world_through(scene: Scene, light: Throughput) -> tuple[World, LightPlan]:
    """The world of a scene behind a light path of its own, and where its first light points.

    Parameters
    ----------
    scene : Scene
        Its filter, its transmission and the curves of its camera do not count.
    light : Throughput
    """
    plan = plan_lights(scene, light)[0]
    shapes = emission(scene, light, box_of(scene, [plan]))
    beta = scene.optics.moffat_beta if scene.optics.profile == "moffat" else 0.0
    return World(scene, light, shapes, star_field(scene, light, shapes), detector(scene), Profile(beta)), plan


def of_one_channel(world: World, channel: int) -> World:
    """The same with all pixels of one channel: of a camera without dyes, or of all places that dithering reaches."""
    cell = np.full_like(world.detector.cell, channel)
    return replace(world, detector=replace(world.detector, cell=cell))


def _as_planned(plan: LightPlan, exposed: Exposed, seconds: float) -> LightPlan:
    return replace(
        plan, exposure_s=seconds, transparency=exposed.passed, sky_e=exposed.sky_e_s * seconds,
        sky_slope_e=np.zeros((3, 2)), trails=(),
    )  # fmt: skip


def summed(
    world: World, plan: LightPlan, exposed: Exposed, rng: np.random.Generator, share: float = 1.0
) -> FloatArray:
    """(ny, nx) electrons of so many subs together: their sum is Poisson as each of them is, and read so many times.

    With a share, each pixel has so large a part of the subs; what comes out is still for all of them.
    """
    camera, subs = world.scene.camera, exposed.subs * share
    mean = (
        expected_light(world, _as_planned(plan, exposed, subs * exposed.sub_s)) * world.detector.sensitivity
    )
    mean += world.detector.dark_e(subs * exposed.sub_s, camera.temperature_c)
    read = math.sqrt(subs * (camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12))
    return (rng.poisson(np.maximum(mean, 0.0)) + read * rng.standard_normal(mean.shape)) / share


def one_light(world: World, plan: LightPlan, exposed: Exposed, index: int) -> FloatArray:
    """(ny, nx) electrons of one sub as the camera writes it, its pedestal taken away."""
    camera = world.scene.camera
    frame = light_frame(world, replace(_as_planned(plan, exposed, exposed.sub_s), index=index))
    return np.asarray((frame - camera.offset_adu) * camera.gain_e_per_adu)
