"""What is told when a run has ended."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.closing import closing_lines
from fourlight.stages.copies import ONCE

OUT = Path("out")


def summary(aside: int, how: dict[str, int], flats: int) -> dict[str, Any]:
    return {
        "set_aside": [{"file": f"n/{k}.fits", "reason": f"reason {k}"} for k in range(aside)],
        "calibration": {"offset_taken_off": how, "lights_with_flat": flats},
    }


@pytest.mark.parametrize(
    ("reasons", "lines"),
    [
        ([], []),
        (["cloudy"], ["n/0.fits: cloudy"]),
        (["2 stars, 6 needed", "5 stars, 6 needed"], ["n/0.fits: 2 stars, 6 needed; n/1.fits alike"]),
        (
            ["cloudy"] * 8 + ["trailed"],
            [f"{', '.join(f'n/{k}.fits' for k in range(6))} and 2 more: cloudy", "n/8.fits: trailed"],
        ),
        (
            [f"a copy of x.fits; {ONCE}", f"a copy of y z.fits; {ONCE}", "trailed"],
            [f"n/0.fits: a copy of x.fits; {ONCE}; n/1.fits alike", "n/2.fits: trailed"],
        ),
    ],
)
def test_every_reason_is_named_once_however_many_frames(reasons: list[str], lines: list[str]) -> None:
    facts = summary(0, {"dark": 4}, 4)
    facts["set_aside"] = [{"file": f"n/{k}.fits", "reason": reason} for k, reason in enumerate(reasons)]
    said = list(closing_lines(facts, OUT))
    assert [text for heading, text in said if heading == "set aside"] == lines
    rest = [text for heading, text in said if not heading]
    assert rest == ([f"each with its reason: see {OUT / 'frames.csv'}"] if len(reasons) > 6 else [])


@pytest.mark.parametrize(
    ("how", "flats", "expected"),
    [
        ({"dark": 4}, 4, None),
        ({"dark": 3, "scaled dark": 1}, 4, None),
        ({"scaled dark": 4}, 0, "no flat applied"),
        ({"bias": 4}, 0, "no dark applied, no flat applied"),
        ({"dark": 4}, 0, "no flat applied"),
        ({"none": 4}, 4, "no dark applied"),
        ({"dark": 3, "header": 1}, 2, "no dark applied to 1 of 4 lights, no flat applied to 2 of 4 lights"),
    ],
)
def test_missing_calibration_is_said(how: dict[str, int], flats: int, expected: str | None) -> None:
    said = dict(closing_lines(summary(0, how, flats), OUT)).get("calibration")
    assert said == expected


@pytest.mark.parametrize(
    ("source", "contradiction", "expected"),
    [
        (
            "assumed",
            None,
            (
                "RGGB is assumed, for no header states a pattern; if the colours look wrong, run again with"
                " --set read.mosaic=BGGR, which puts red and blue in each other's place"
            ),
        ),
        ("pixels", "BAYERPAT says GRBG", "if the colours look wrong, run again with --set read.mosaic=GRBG"),
        ("BAYERPAT", None, None),
        ("recipe", None, None),
    ],
)
def test_a_pattern_that_may_be_wrong_comes_with_the_setting(
    source: str, contradiction: str | None, expected: str | None
) -> None:
    facts = summary(0, {"dark": 4}, 4)
    facts["mosaic"] = {"pattern": "RGGB", "source": source, "stated": None, "contradiction": contradiction}
    facts["mosaic"]["stated"] = "GRBG" if contradiction else None
    said = dict(closing_lines(facts, OUT)).get("mosaic")
    assert said is None if expected is None else said is not None and said.startswith(expected)


def test_darks_of_another_exposure_without_bias_come_with_advice(
    command: Any, raw: Path, tmp_path: Path
) -> None:
    """In the terminal and in the first paragraph of the report; headers that state no pattern with the setting."""
    rng = np.random.default_rng(4)
    for path in raw.glob("*.fits"):
        fits.delval(path, "BAYERPAT")
    for n in range(3):
        unit = fits.PrimaryHDU(np.rint(rng.normal(500, 3, (180, 240))).astype(np.uint16))
        unit.header.update({"IMAGETYP": "Dark", "EXPTIME": 60.0, "CCD-TEMP": -10.0, "GAIN": 100})
        unit.writeto(raw / f"dark {n}.fits")
    done = command("run", raw, "--out", tmp_path / "out", "--set", "finish.gradient.order=0")
    assert done.code == 0, done.err
    lines = [line[21:] for line in done.err.splitlines()]
    (advice,) = [line for line in lines if line.startswith("3 darks (60 s, -10 C) left out: the lights are")]
    assert advice.endswith("; add bias frames, or darks as long as the lights")
    assert f"to know: {advice}" in command("inspect", raw).out.splitlines()
    assert sum("read.mosaic=BGGR" in line for line in lines) == 1
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    lead = re.search(r'class="lead">(.*?)</p>', page, re.DOTALL)
    assert lead is not None
    assert "3 darks (60 s, −10 °C) left out: the lights are 180 s long" in lead[1]
    assert "; add bias frames, or darks as long as the lights." in lead[1]
    assert "No flat was applied: " in page
    assert "The sky surface" not in page, "the recipe takes none off"


def test_a_run_says_it_with_markup_and_long_names_untouched(command: Any, raw: Path, tmp_path: Path) -> None:
    shutil.copy(raw / "light_0001.fits", raw / "[bold] copy.fits")
    fits.setval(raw / "light_0004.fits", "INSTRUME", value="another camera " + "x" * 40, comment="")
    done = command("run", raw, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    lines = done.err.splitlines()
    assert "calibration          no dark applied, no flat applied" in lines
    assert (
        "set aside            '[bold] copy.fits': a copy of light_0001.fits; each exposure counts once"
        in lines
    )
    other = next(line for line in lines if "light_0004.fits" in line)
    assert other.startswith("set aside            light_0004.fits: camera another camera xxx")
    assert lines[-1].startswith("look at ")


def test_a_missing_date_or_exposure_is_said(command: Any, raw: Path, tmp_path: Path) -> None:
    """In the terminal, in the summary and in the report, as inspect says it."""
    fits.delval(raw / "light_0002.fits", "DATE-OBS")
    fits.delval(raw / "light_0003.fits", "EXPTIME")
    done = command("run", raw, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    known = json.loads((tmp_path / "out" / "summary.json").read_text())["to_know"]
    known = [line for line in known if line.startswith("light_")]
    assert sorted(known) == [
        "light_0002.fits: no date that can be read, so the night is not known",
        "light_0003.fits: exposure not stated",
    ]
    seen = command("inspect", raw, "--json")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for line in known:
        assert f"{'to know':<20} {line}" in done.err.splitlines()
        assert f"to know: {line}" in json.loads(seen.out)["problems"]
        assert f"<li>{line}.</li>" in page
