"""What the remarks on a light mean that is used although something is odd about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from fourlight.frames import FrameFlag
from fourlight.stages.judge import BRIGHT, CLOUDED, LONG, WIDE

__all__ = ["MEANINGS", "flag_name", "meanings"]

MEANINGS = {
    FrameFlag.CLOUD: f"less than {100 * CLOUDED:.0f} % of the usual starlight came through",
    FrameFlag.TRAILED: f"stars are more than {LONG:g} times as long as usual",
    FrameFlag.DEFOCUSED: f"stars are more than {WIDE:g} times as wide as usual",
    FrameFlag.FEW_STARS: "its place rests on few stars: fewer than three times registration.min_matches",
    FrameFlag.BRIGHT_SKY: f"the sky is more than {BRIGHT:g} times as bright as usual (Moon, twilight or haze)",
    FrameFlag.NO_DATE: "neither header nor file name says when it was taken",
    FrameFlag.IN_PART: "rows that never came are left out",
}
"""Usual is what the typical light of the run has."""


def flag_name(flag: FrameFlag) -> str:
    """A flag as it is written in tables.

    >>> flag_name(FrameFlag.BRIGHT_SKY)
    'bright sky'
    """
    return (flag.name or "").lower().replace("_", " ")


def meanings(frames: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Each remark that some frames have, and what it means.

    >>> meanings([{"flags": ["no date"]}, {"flags": []}])
    [('no date', 'neither header nor file name says when it was taken')]
    """
    found = {flag for frame in frames for flag in frame.get("flags") or ()}
    return [(flag_name(flag), words) for flag, words in MEANINGS.items() if flag_name(flag) in found]
