"""What calibration comes to: how every light is read, and what is to be told of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import plane_map
from fourlight.frames import NoiseModel, RawFrame, Role, SetAside
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.master_noise import MasterNoise
from fourlight.stages.masters import Master, OpenSource

__all__ = ["ROLES", "Calibration", "Plan", "joined"]

FloatArray = npt.NDArray[np.float64]

ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)
"""What calibration frames are for."""


@dataclass(frozen=True, slots=True)
class Plan:
    """How one light is calibrated, and what is known of its camera."""

    offset: Master | float
    factor: Master | float
    """Of a map the variance is that of the flat, relative."""
    saturation: float
    noise: NoiseModel
    pattern: str
    """Mosaic pattern in array order."""
    masters: str = ""
    """Names of the combined frames behind offset and factor: kinds with the same flats have factors of their own."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Everything needed to read calibrated lights; made by `fourlight.stages.calibrate.prepare`."""

    noise: NoiseModel
    """Of the lights, where they are of several kinds of the first."""
    notes: tuple[str, ...]
    """Sentences for the report: every choice, mismatch and assumption."""
    remarks: tuple[str, ...]
    """Those of them that a user must know, in the terminal too."""
    odd: Mapping[Path, str]
    """What is odd about single calibration frames that are used."""
    set_aside: tuple[SetAside, ...]
    description: dict[str, Any]
    """For ``summary.json``: masters, lights by what was done to them, defects."""
    frames: Mapping[Path, tuple[str, bool]]
    """Calibration frames that were fit for use: role of each, and whether it is in a master."""
    plans: Mapping[tuple[Path, int], Plan]
    open_source: OpenSource
    masters: tuple[Master, ...] = ()
    """Every master that the plans hold or were made from."""

    @property
    def summary(self) -> dict[str, Any]:
        """The description, with how many calibration frames of every role were fit for use and are in masters."""
        counts = {str(role): {"usable": 0, "in_masters": 0} for role in ROLES}
        for role, used in self.frames.values():
            counts[role]["usable"] += 1
            counts[role]["in_masters"] += used
        return {**self.description, "calibration_frames": counts}

    def open(self, frame: RawFrame) -> CalibratedSource:
        """Calibrated samples of a light that `prepare` was given, in the unit of its noise model."""
        plan = self._plan(frame)
        return CalibratedSource(
            self.open_source(frame),
            plan.offset.open() if isinstance(plan.offset, Master) else plan.offset,
            plan.factor.open() if isinstance(plan.factor, Master) else plan.factor,
            plan.noise.scale,
        )

    def knows(self, frame: RawFrame) -> bool:
        """Whether a light can be opened."""
        return (frame.path, frame.hdu) in self.plans

    def with_light(self, frame: RawFrame, like: RawFrame) -> Calibration:
        """The same, with one more light that is calibrated as another one is."""
        return replace(self, plans={**self.plans, (frame.path, frame.hdu): self._plan(like)})

    def noise_of(self, frame: RawFrame) -> NoiseModel:
        """Noise model of a light's camera and gain."""
        return self._plan(frame).noise

    def pattern_of(self, frame: RawFrame) -> str:
        """Mosaic pattern of a light, in array order."""
        return self._plan(frame).pattern

    def facts(self, frame: RawFrame) -> list[object]:
        """All that the calibrated samples of a light depend on besides its file, as plain data."""
        plan = self._plan(frame)
        maps = [part.path.name if isinstance(part, Master) else part for part in (plan.offset, plan.factor)]
        return [*maps, plan.saturation, plan.pattern, asdict(plan.noise)]

    def masters_of(self, frame: RawFrame) -> str:
        """What the samples of a light are calibrated with, the same words for the same masters."""
        return self._plan(frame).masters

    def saturation_level(self, frame: RawFrame) -> float:
        """Calibrated level from which a sample may be saturated (lowest over the frame); inf if not known."""
        return self._plan(frame).saturation

    def sample_variance_extra(self, frame: RawFrame, sky: FloatArray) -> FloatArray:
        """(4,) variance per sample that the masters bring into a light whose sky is ``sky``, calibrated unit squared.

        It is common to all lights with the same masters: averaging undithered lights does not reduce it. The noise of
        a flat is a share of the light: that of a moonlit light is larger than that of a dark one.

        Parameters
        ----------
        frame : RawFrame
        sky : (4,) float64
            Level of its planes, calibrated unit.
        """
        plan = self._plan(frame)
        offset, flat = (
            np.array(part.variance) if isinstance(part, Master) else np.zeros(4)
            for part in (plan.offset, plan.factor)
        )
        return np.asarray(offset * plan.noise.scale**2 + np.maximum(sky, 0.0) ** 2 * flat)

    def noise_of_masters(self, frame: RawFrame) -> tuple[MasterNoise, MasterNoise]:
        """Noise of what is taken off a light, and of its flat; of none where there is none."""
        plan = self._plan(frame)
        cell = plane_map(plan.pattern)
        parts = [part if isinstance(part, Master) else None for part in (plan.offset, plan.factor)]
        one, other = (
            MasterNoise("", np.zeros((2, 2))) if part is None
            else MasterNoise(part.path.name, np.sqrt(np.array(part.variance))[cell])
            for part in parts
        )  # fmt: skip
        return one, other

    def _plan(self, frame: RawFrame) -> Plan:
        return self.plans[frame.path, frame.hdu]


def joined(parts: Sequence[tuple[str, Calibration]]) -> Calibration:
    """Calibration of lights of several kinds: name and calibration of each, the first one's without a name."""
    first = parts[0][1]
    if len(parts) == 1:
        return first
    return Calibration(
        first.noise,
        tuple(_named(name, note) for name, part in parts for note in part.notes),
        tuple(_named(name, remark) for name, part in parts for remark in part.remarks),
        {path: why for _, part in parts for path, why in part.odd.items()},
        tuple(dict.fromkeys(item for _, part in parts for item in part.set_aside)),
        _described([(name, part.description) for name, part in parts]),
        _all_frames(parts),
        {key: plan for _, part in parts for key, plan in part.plans.items()},
        first.open_source,
        tuple(dict.fromkeys(master for _, part in parts for master in part.masters)),
    )


def _named(name: str, sentence: str) -> str:
    return f"{name}: {sentence}" if name else sentence


def _described(parts: Sequence[tuple[str, dict[str, Any]]]) -> dict[str, Any]:
    """Description of the first kind, with lights, defects and masters of all of them."""
    every = [part for _, part in parts]
    return every[0] | {
        "offset_taken_off": reduce(_added, [part["offset_taken_off"] for part in every]),
        "lights_with_flat": sum(part["lights_with_flat"] for part in every),
        **{
            key: sum(part.get(key, 0) for part in every)
            for key in ("defective_samples", "defects_of_profile")
        },
        "masters": {_named(name, label): n for name, part in parts for label, n in part["masters"].items()},
    }


def _all_frames(parts: Sequence[tuple[str, Calibration]]) -> dict[Path, tuple[str, bool]]:
    """Calibration frames of all kinds; one that serves several of them counts once."""
    found: dict[Path, tuple[str, bool]] = {}
    for _, part in parts:
        for path, (role, used) in part.frames.items():
            found[path] = (role, used or found.get(path, (role, False))[1])
    return found


def _added(one: Mapping[str, int], other: Mapping[str, int]) -> dict[str, int]:
    return {key: one.get(key, 0) + other.get(key, 0) for key in {**one, **other}}
