"""Which darks and bias frames a light gets, and what is said of those that it does not get."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fields import raw_frame
from fourlight.frames import RawFrame, Role
from fourlight.stages.groups import Group
from fourlight.stages.offsets import choose_offsets


def frame(role: Role, exposure_s: float) -> RawFrame:
    facts = {"exposure_s": exposure_s, "temperature_c": -10.0, "gain_setting": 100.0}
    return replace(raw_frame("a.fits", (20, 30)), role=role, **facts)


@pytest.mark.parametrize(
    ("light", "dark", "biases", "words"),
    [
        (180.0, 60.0, 1, "scaled by 3 to the 180 s of the lights"),
        (180.0, 60.0, 0, "left out: the lights are 180 s long, and without bias frames"),
        (0.0, 60.0, 1, "left out: the header of the lights says that they are 0 s long"),
        (180.0, 0.0, 1, "left out: their header says that they are 0 s long"),
    ],
)
def test_a_dark_that_is_not_scaled_is_told_with_what_is_missing(
    light: float, dark: float, biases: int, words: str
) -> None:
    said: list[str] = []
    darks, zeros = [Group((frame(Role.DARK, dark),))], [Group((frame(Role.BIAS, 0.0),))] * biases
    (choice,) = choose_offsets([frame(Role.LIGHT, light)], darks, zeros, 3.0, said.append)
    assert (choice.dark is not None) == words.startswith("scaled")
    assert len(said) == 1
    assert words in said[0]
    assert ("without bias frames" in said[0]) == (not biases)
