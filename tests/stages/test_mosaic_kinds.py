"""Lights with another mosaic than most: pixels before headers, headers where pixels cannot tell."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from fourlight.core.phase import Phase
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.stages.mosaic_kinds import apart

MAIN, ANTI, DARK = 40.0, -40.0, 0.0
"""Evidence for greens as in GBRG and GRBG, as in RGGB and BGGR, and none."""


def sorted_out(
    *lights: tuple[str | None, float], setting: str = "auto"
) -> tuple[list[str], Mapping[Path, tuple[str, ...]]]:
    frames = [
        RawFrame(Path(f"{n}.fits"), 0, 100, 100, Role.LIGHT, "header", mosaic=said, exposure_s=60.0)
        for n, (said, _) in enumerate(lights)
    ]
    phases = {
        frame.path: Phase(sigma, sigma, 0.0, 50, False)
        for frame, (_, sigma) in zip(frames, lights, strict=True)
    }
    aside, notes = apart(frames, phases, setting)
    return [_short(item) for item in aside], notes


def _short(item: SetAside) -> str:
    return f"{item.path.stem} {item.reason[:24]}"


def test_lights_that_agree_or_cannot_tell_stay() -> None:
    assert sorted_out(("RGGB", ANTI), ("RGGB", DARK), ("RGGB", ANTI)) == ([], {})
    assert sorted_out((None, ANTI), (None, DARK)) == ([], {}), "nothing is stated that could be taken"


def test_lights_without_a_stated_mosaic_go_with_the_others_and_it_is_said() -> None:
    found, notes = sorted_out(("RGGB", ANTI), ("RGGB", ANTI), (None, ANTI), (None, DARK))
    assert found == []
    said = {path.name: note for path, (note,) in notes.items()}
    assert said.keys() == {"2.fits", "3.fits"}
    assert all(note.startswith("no mosaic in the header; RGGB of the other lights") for note in said.values())
    assert said["2.fits"].endswith("the pixels show the greens where theirs are")
    assert said["3.fits"].endswith("the pixels cannot tell whether that is right")
    assert sorted_out(("RGGB", ANTI), (None, ANTI), setting="RGGB") == ([], {}), "the recipe states it"


def test_a_light_without_a_mosaic_among_others_is_named_where_the_recipe_lets_it_in() -> None:
    frames = [RawFrame(Path(f"{n}.fits"), 0, 100, 100, Role.LIGHT, "header", mosaic="RGGB") for n in range(3)]
    phases = {frame.path: Phase(ANTI, ANTI, 0.0, 50, False) for frame in frames}
    phases[frames[2].path] = Phase(DARK, 0.0, DARK, 50, True)
    (item,), notes = apart(frames, phases)
    assert (item.path, notes) == (frames[2].path, {})
    assert "read.mosaic" not in item.reason, "no advice that lets it into the stack"
    found, notes = apart(frames, phases, "RGGB")
    assert found == []
    ((path, (said,)),) = notes.items()
    assert path == frames[2].path
    assert said.startswith("no mosaic shows in its stars and sky")
    assert "read.mosaic=RGGB is set" in said


def test_pixels_against_all_headers_alike_are_no_reason() -> None:
    """The real pair: the header says RGGB, the pixels GBRG; `decide` mends it for all."""
    assert sorted_out(("RGGB", MAIN), ("RGGB", MAIN)) == ([], {})


def test_pixels_unlike_those_of_the_others() -> None:
    found, _ = sorted_out(
        ("RGGB", ANTI), ("RGGB", ANTI), ("RGGB", MAIN), (None, MAIN), ("GBRG", MAIN), ("GBRG", ANTI)
    )
    assert found == [
        "2 its pixels show the gree",
        "3 its pixels show the gree",
        "4 mosaic GBRG instead of R",
    ]


@pytest.mark.parametrize("said", ["RGGB", None])
def test_headers_are_said_to_agree_only_where_they_state_something(said: str | None) -> None:
    frames = [RawFrame(Path(f"{n}.fits"), 0, 100, 100, Role.LIGHT, "header", mosaic=said) for n in range(3)]
    sigmas = (ANTI, ANTI, MAIN)
    phases = {f.path: Phase(sigma, sigma, 0.0, 50, False) for f, sigma in zip(frames, sigmas, strict=True)}
    ((item,), _) = apart(frames, phases)
    assert item.path == frames[2].path
    assert ("though its header says the same" in item.reason) == (said is not None)


def test_weak_evidence_against_clear_evidence_is_none() -> None:
    """Six sigma where a light that is stored otherwise would show about 200."""
    assert sorted_out(("RGGB", -200.0), ("RGGB", -220.0), ("RGGB", 6.0)) == ([], {})
    assert sorted_out(("RGGB", -20.0), ("RGGB", -22.0), ("RGGB", 6.0))[0] == ["2 its pixels show the gree"]


def test_of_two_lights_the_one_that_its_header_bears_out_counts() -> None:
    assert sorted_out(("RGGB", MAIN), ("RGGB", ANTI))[0] == ["0 its pixels show the gree"]


def test_a_header_that_the_pixels_refute_is_told_and_passed_over() -> None:
    found, notes = sorted_out(("RGGB", ANTI), ("RGGB", ANTI), ("GBRG", ANTI))
    assert found == []
    assert notes.keys() == {Path("2.fits")}


def test_a_header_that_nothing_refutes_counts() -> None:
    found, _ = sorted_out(("RGGB", ANTI), ("RGGB", ANTI), ("BGGR", ANTI), ("GBRG", DARK))
    assert found == ["2 mosaic BGGR instead of R", "3 mosaic GBRG instead of R"]
    assert sorted_out(("RGGB", ANTI), ("RGGB", ANTI), ("BGGR", ANTI), setting="RGGB") == ([], {})


def test_where_no_pixels_tell_headers_do() -> None:
    found, _ = sorted_out(("RGGB", DARK), ("RGGB", DARK), ("GBRG", DARK), (None, DARK))
    assert found == ["2 mosaic GBRG instead of R"]
