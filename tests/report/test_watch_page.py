"""The page and chart of a night that goes on: by itself, and in words that hold figures."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fourlight.report.figure_style import NARROW, WIDE, Drawn
from fourlight.report.figure_watch import watch_figure
from fourlight.report.watch_page import watch_page
from fourlight.report.watch_words import alarm_words, over_words
from fourlight.stages.live_alarms import Alarm


def night(count: int = 30, **more: Any) -> dict[str, Any]:
    """What ``watch.json`` tells of an invented night, its 21st sub set aside, subs under cloud from the 25th on."""
    rows = [
        {
            "file": f"sub_{k:03d}.fits", "time_s": 60.0 * k, "status": "used" if k != 20 else "set aside",
            "reason": "cloud: 20 % of the usual starlight", "fwhm_px": 2.5 + 0.01 * k, "elongation": 1.1, "sky": 3.0,
            "transparency": 1.0 if k < 24 else 0.6, "exposure_s": 60.0,
        }
        for k in range(count)
    ]  # fmt: skip
    return {
        "fourlight": "0", "folder": "/nights/<tonight>", "ended": False, "used": count - 1,
        "exposure_s": 60.0 * (count - 1),
        "object": "Lantern", "unit": "electron", "subs": rows, "snr": (3 * np.sqrt(np.arange(1, count + 1))).tolist(),
        "target": {"what": "object", "signal": [1.0, 2.0, 1.0], "pixels": 1.0},
        "another_hour": {"subs": 60.0, "ratio": 1.7, "low": 1.6, "high": 1.8}, "noise_between_halves": 1.02,
        "no_picture": "",
        "alarms": [
            {"quantity": "transparency", "drift": False, "since": 24, "until": None, "ratio": 0.6, "scatter": 0.012,
             "raised": 25},
            {"quantity": "fwhm_px", "drift": True, "since": 3, "until": 20, "ratio": 1.2, "scatter": 0.03,
             "raised": 15},
        ],
    } | more  # fmt: skip


NOTHING = Drawn(b"", b"", "nothing")


def test_the_page_calls_nobody_and_comes_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Image.new("RGB", (60, 40), "#204060").save(tmp_path / "picture.jpg")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 600)  # a large sensor has more
    facts = night()
    text = watch_page(facts, watch_figure(facts), watch_figure(facts, width=NARROW), tmp_path / "picture.jpg")
    assert re.findall(r'http-equiv="refresh" content="(\d+)"', text) == ["10"]
    sources = re.findall(r'(?:src|srcset|href|url)\s*[=(]\s*"?([^"\s>)]+)', text)
    assert len(sources) == 3
    assert all(each.startswith("data:image/") for each in sources)
    assert "<script" not in text
    assert "/nights/&lt;tonight&gt;" in text
    assert "width: 100%;" in text


def test_an_ended_night_does_not_come_again() -> None:
    text = watch_page(night(ended=True), NOTHING, NOTHING, None)
    assert "http-equiv" not in text
    assert "fourlight run makes the best picture" in text


def test_alarms_stand_with_their_figures() -> None:
    facts = night()
    text = " ".join(watch_page(facts, NOTHING, NOTHING, None).split())
    assert 'role="alert">Less starlight: -40' in text
    assert "against the usual since sub_024.fits; quiet subs scatter by 1.2" in text
    assert "Wider stars: +20" in text
    assert text.index("Wider stars") > text.index("is over")
    assert "set aside: cloud" in text


def test_a_night_before_its_first_sub_has_a_page() -> None:
    facts = night(
        0,
        used=0,
        another_hour=None,
        target=None,
        alarms=[],
        unit=None,
        object=None,
        noise_between_halves=None,
    )
    drawn = watch_figure(facts)
    text = watch_page(facts, drawn, NOTHING, None)
    assert "No alarm." in text
    assert drawn.words.startswith("No sub yet")


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_the_chart_fits_its_width(width: int) -> None:
    drawn = watch_figure(night(), width=width)
    with Image.open(io.BytesIO(drawn.png)) as image:
        assert image.size[0] == 2 * width
        pixels = np.asarray(image.convert("RGB")).astype(int)
    paper = pixels[0, 0]
    drawn_on = np.abs(pixels - paper).sum(axis=2) > 60
    assert drawn_on.any()
    assert not drawn_on[:, :8].any()
    assert not drawn_on[:, -8:].any()
    assert drawn.words == "Signal over noise is 16.4 after 29 subs, 27.9 after another hour."


def test_a_steady_night_has_a_chart() -> None:
    """All values alike: axes of no height."""
    facts = night()
    for row in facts["subs"]:
        row |= {"fwhm_px": 2.0, "sky": 3.0, "transparency": 1.0, "elongation": 1.0}
    assert watch_figure(facts).png


def test_words_say_by_how_much() -> None:
    rows = night()["subs"]
    alarm = Alarm("elongation", False, 26, 25, 28, 1.53, 0.021)
    assert alarm_words(alarm, rows) == (
        "longer stars: +53 % against the usual since sub_025.fits; quiet subs scatter by 2.1 %. "
        "Guiding, wind or a cable?"
    )
    assert over_words(alarm, rows) == "length of stars is usual again, after 3 subs"
