"""What the terminal says when a run has ended."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from fourlight.cli.closing import closing_lines

OUT = Path("out")


def summary(aside: int, how: dict[str, int], flats: int) -> dict[str, Any]:
    return {
        "set_aside": [{"file": f"n/{k}.fits", "reason": f"reason {k}"} for k in range(aside)],
        "calibration": {"offset_taken_off": how, "lights_with_flat": flats},
    }


@pytest.mark.parametrize(
    ("count", "more"), [(0, ""), (1, ""), (8, ""), (9, "and 1 more"), (30, "and 22 more")]
)
def test_at_most_eight_frames_are_named(count: int, more: str) -> None:
    lines = list(closing_lines(summary(count, {"dark": 4}, 4), OUT))
    named = [text for heading, text in lines if heading == "set aside"]
    assert named == [f"n/{k}.fits: reason {k}" for k in range(min(count, 8))]
    rest = [text for heading, text in lines if not heading]
    assert rest == ([f"{more}: see {OUT / 'frames.csv'}"] if more else [])


@pytest.mark.parametrize(
    ("how", "flats", "expected"),
    [
        ({"dark": 3, "scaled dark": 1}, 4, None),
        ({"bias": 4}, 0, "no dark applied, no flat applied"),
        ({"dark": 4}, 0, "no flat applied"),
        ({"none": 4}, 4, "no dark applied"),
        ({"dark": 3, "header": 1}, 2, "no dark applied to 1 of 4 lights, no flat applied to 2 of 4 lights"),
    ],
)
def test_missing_calibration_is_said(how: dict[str, int], flats: int, expected: str | None) -> None:
    said = dict(closing_lines(summary(0, how, flats), OUT)).get("calibration")
    assert said == expected


def test_a_run_says_it_with_markup_and_long_names_untouched(command: Any, raw: Path, tmp_path: Path) -> None:
    shutil.copy(raw / "light_0001.fits", raw / "[bold] copy.fits")
    fits.setval(raw / "light_0004.fits", "INSTRUME", value="another camera " + "x" * 40, comment="")
    done = command("run", raw, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    lines = done.err.splitlines()
    assert "calibration          no dark applied, no flat applied" in lines
    assert (
        "set aside            [bold] copy.fits: a copy of light_0001.fits; each exposure counts once" in lines
        or (
            "set aside            light_0001.fits: a copy of [bold] copy.fits; each exposure counts once"
            in lines
        )
    )
    other = next(line for line in lines if "light_0004.fits" in line)
    assert other.startswith("set aside            light_0004.fits: camera another camera xxx")
    assert lines[-1].startswith("look at ")
