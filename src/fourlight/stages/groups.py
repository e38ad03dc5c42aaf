"""Which calibration frames belong together, and which group fits a light."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from fourlight.frames import RawFrame, Role

__all__ = [
    "ROLE_NAMES",
    "Group",
    "best_group",
    "counted",
    "differences",
    "grouped",
    "misfits",
    "same_exposure",
]

ROLE_NAMES = {
    Role.LIGHT: ("light", "lights"),
    Role.DARK: ("dark", "darks"),
    Role.FLAT: ("flat", "flats"),
    Role.BIAS: ("bias frame", "bias frames"),
    Role.DARKFLAT: ("dark for flats", "darks for flats"),
}
"""What one frame of a role is called, and what more than one."""


@dataclass(frozen=True, slots=True)
class Group:
    """Calibration frames of one role that can be combined to one master."""

    frames: tuple[RawFrame, ...]

    @property
    def role(self) -> Role:
        """What the frames are for."""
        return self.frames[0].role

    @property
    def exposure_s(self) -> float | None:
        """Exposure of the first frame; the frames of a group share it (flats need not)."""
        return self.frames[0].exposure_s

    @property
    def temperature_c(self) -> float | None:
        """Median sensor temperature of the frames that say it."""
        known = [f.temperature_c for f in self.frames if f.temperature_c is not None]
        return float(np.median(known)) if known else None

    @property
    def label(self) -> str:
        """Short name for notes, such as ``20 darks (180 s, -10 C)``."""
        facts = []
        if self.exposure_s is not None and self.role is not Role.BIAS:
            facts.append(f"{self.exposure_s:g} s")
        if self.temperature_c is not None:
            facts.append(f"{self.temperature_c:.0f} C")
        if self.role is Role.FLAT:
            facts = [fact for fact in (self.frames[0].filter_name, self.frames[0].night) if fact]
        return counted(len(self.frames), self.role) + (f" ({', '.join(facts)})" if facts else "")


def grouped(frames: Iterable[RawFrame], tolerance_c: float) -> list[Group]:
    """Groups of frames of one role that were taken alike; darks also within the temperature tolerance."""
    kinds: dict[tuple[object, ...], list[RawFrame]] = {}
    for frame in frames:
        kinds.setdefault(_kind(frame), []).append(frame)
    groups: list[Group] = []
    for kind in kinds.values():
        kind = sorted(kind, key=lambda f: (f.temperature_c is not None, f.temperature_c or 0.0, str(f.path)))
        current = [kind[0]]
        for frame in kind[1:]:
            start, here = current[0].temperature_c, frame.temperature_c
            far = start is not None and here is not None and here - start > tolerance_c
            if frame.role is Role.DARK and (far or (start is None) != (here is None)):
                groups.append(Group(tuple(current)))
                current = []
            current.append(frame)
        groups.append(Group(tuple(current)))
    return groups


def _kind(frame: RawFrame) -> tuple[object, ...]:
    """What frames of a group share; flats share night and filter and may differ in exposure."""
    kind = (frame.role, frame.ny, frame.nx, frame.binning, frame.camera, frame.gain_setting)
    if frame.role is Role.FLAT:
        return (*kind, frame.offset_setting, frame.filter_name, frame.night)
    exposure = None if frame.role is Role.BIAS or frame.exposure_s is None else f"{frame.exposure_s:.3g}"
    return (*kind, frame.offset_setting, exposure)


def differences(frame: RawFrame, group: Group, tolerance_c: float, *, optics: bool = False) -> list[str]:
    """Reasons why a group cannot serve a frame; empty if it can. What either does not say is taken to agree.

    With ``optics`` only what matters to a flat is compared (size, binning, camera, filter): a flat is a
    ratio, so its gain and temperature may differ.
    """
    found = _unlike(frame, group, optics)
    return found if optics or not _far(frame, group, tolerance_c) else [*found, _temperatures([frame], group)]


def misfits(frames: Iterable[RawFrame], group: Group, tolerance_c: float) -> list[str]:
    """Why a group serves none of some frames, once for each kind of them; temperatures that drift are one range."""
    kinds: dict[tuple[tuple[str, ...], bool], list[RawFrame]] = {}
    for frame in frames:
        kind = tuple(_unlike(frame, group, optics=False)), _far(frame, group, tolerance_c)
        kinds.setdefault(kind, []).append(frame)
    return [
        ", ".join([*unlike, _temperatures(alike, group)] if far else unlike)
        for (unlike, far), alike in kinds.items()
    ]


def _unlike(frame: RawFrame, group: Group, optics: bool) -> list[str]:
    """What sets a frame and a group apart, less their temperatures."""
    first = group.frames[0]
    found = []
    if (frame.ny, frame.nx) != (first.ny, first.nx):
        found.append(f"size {first.nx} x {first.ny} instead of {frame.nx} x {frame.ny}")
    compared: list[tuple[str, object, object]] = [
        ("binning", frame.binning, first.binning),
        ("camera", frame.camera, first.camera),
    ]
    if optics:
        compared.append(("filter", frame.filter_name, first.filter_name))
    else:
        compared.append(("gain", frame.gain_setting, first.gain_setting))
        compared.append(("offset", frame.offset_setting, first.offset_setting))
    for name, wanted, got in compared:
        if wanted is not None and got is not None and _folded(wanted) != _folded(got):
            found.append(f"{name} {_shown(got)} instead of {_shown(wanted)}")
    return found


def _far(frame: RawFrame, group: Group, tolerance_c: float) -> bool:
    wanted_c, got_c = frame.temperature_c, group.temperature_c
    return wanted_c is not None and got_c is not None and abs(wanted_c - got_c) > tolerance_c


def _temperatures(frames: Sequence[RawFrame], group: Group) -> str:
    """Temperature of a group against those of frames; all are known."""
    known = [frame.temperature_c for frame in frames if frame.temperature_c is not None]
    wanted = " to ".join(dict.fromkeys(f"{end:.1f}" for end in (min(known), max(known))))
    return f"{group.temperature_c:.1f} C instead of {wanted} C"


def best_group(
    frame: RawFrame, groups: Sequence[Group], tolerance_c: float, *, optics: bool = False
) -> Group | None:
    """The group that fits a frame best: nearest exposure (flats: nearest night), then temperature."""
    fitting = [group for group in groups if not differences(frame, group, tolerance_c, optics=optics)]
    return min(fitting, key=lambda group: _distance(frame, group, optics), default=None)


def same_exposure(frame: RawFrame, group: Group) -> bool:
    """Whether the exposures agree to 2 % (or one of them is not known)."""
    wanted, got = frame.exposure_s, group.exposure_s
    return wanted is None or got is None or abs(wanted - got) <= 0.02 * max(wanted, got)


def _distance(frame: RawFrame, group: Group, optics: bool) -> tuple[float, float, float, int]:
    first = group.frames[0]
    far = 0.0
    if optics:
        unlike = float((frame.filter_name is None) != (first.filter_name is None))
        unlike += float(frame.gain_setting != first.gain_setting) / 2
        if frame.time is not None and first.time is not None:
            far = abs((frame.time - first.time).total_seconds())
        return unlike, float(frame.night != first.night), far, -len(group.frames)
    if not same_exposure(frame, group) and frame.exposure_s and group.exposure_s:
        far = abs(float(np.log(frame.exposure_s / group.exposure_s)))
    cold = 0.0
    if frame.temperature_c is not None:
        got = group.temperature_c
        cold = abs(frame.temperature_c - got) if got is not None else 1e3
    return far, cold, 0.0, -len(group.frames)


def _folded(value: object) -> object:
    return value.strip().casefold() if isinstance(value, str) else value


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def counted(count: int, role: Role) -> str:
    """So many frames of a role in words.

    >>> counted(1, Role.BIAS), counted(3, Role.DARKFLAT)
    ('1 bias frame', '3 darks for flats')
    """
    one, many = ROLE_NAMES[role]
    return f"{count} {one if count == 1 else many}"
