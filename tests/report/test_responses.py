"""What is told of cameras and filters."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from fourlight.report.responses import camera_facts, camera_lines, filter_facts, filter_lines
from fourlight.sensor.filters import FILTERS, Beam, Filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import names, sensor

AUTHORITY = Path(__file__).parents[1] / "authorities" / "spectral" / "bands.csv"


@pytest.mark.parametrize("name", ["bsi-8mp", "bsi-5mp", "slr-16mp"])
def test_wavelengths_of_colours_are_those_of_synphot(name):
    facts = camera_facts(LightPath(sensor(name)))
    with AUTHORITY.open(encoding="utf-8") as stream:
        rows = {
            row["colour"]: row for row in csv.DictReader(stream) if row["table"] == name.replace("-", "_")
        }
    for colour, row in rows.items():
        fact = facts["channels"][colour]
        assert fact["pivot_nm"] == pytest.approx(float(row["pivot_nm"]), abs=0.1)
        assert fact["mean_nm"] == pytest.approx(float(row["mean_nm"]), abs=0.1)
        assert fact["equivalent_nm"] / fact["peak"] == pytest.approx(float(row["rectangular_nm"]), rel=1e-3)


@pytest.mark.parametrize("name", names())
@pytest.mark.parametrize("chosen", sorted(FILTERS))
def test_text_says_the_facts(name, chosen):
    facts = camera_facts(LightPath(sensor(name), FILTERS[chosen], Beam(5.0)))
    text = "\n".join(camera_lines(facts))
    assert len(facts["lines"]) == 8
    for fact in facts["lines"]:
        for value in fact["response"].values():
            assert f"{value['value']:.3f} +- {value['sigma']:.3f}" in text
    assert " nan" not in text
    assert max(map(len, text.splitlines())) < 140


def test_what_no_curve_reaches_is_not_known():
    wave = np.arange(470.0, 560.0)
    facts = camera_facts(
        LightPath(Response("short", wave, np.full((3, wave.size), 0.4), "absolute", "made up"))
    )
    known = {fact["line"]: fact["response"] is not None for fact in facts["lines"]}
    assert known == {"Hβ": True, "[OIII]": True, "[NII]": False, "Hα": False, "[SII]": False}
    assert facts["mixing"] is None
    assert sum("not known" in line for line in camera_lines(facts)) == 5
    table = Filter("open", table=(wave, np.full(wave.size, 0.9)))
    assert [fact["transmission"] is None for fact in filter_facts(table)["lines"]] == [False] * 3 + [True] * 5


def test_nothing_seen_is_none():
    dark = Filter("dark", table=(np.array([800.0, 810.0]), np.array([0.0, 0.5])))
    facts = camera_facts(LightPath(sensor("bsi-5mp"), dark))
    assert facts["channels"]["R"]["mean_nm"] is None
    assert "none" in "\n".join(camera_lines(facts))


@pytest.mark.parametrize("chosen", sorted(FILTERS))
def test_bands_are_where_they_were_designed(chosen):
    facts = filter_facts(FILTERS[chosen])
    bands = FILTERS[chosen].bands
    assert len(facts["bands"]) == len(bands)
    for fact, band in zip(facts["bands"], bands, strict=True):
        assert (fact["from_nm"] + fact["to_nm"]) / 2 == pytest.approx(band.centre_nm, abs=0.02)
        assert fact["to_nm"] - fact["from_nm"] == pytest.approx(band.width_nm, abs=0.02)
    assert all(f"{fact['transmission']:.3f}" in "\n".join(filter_lines(facts)) for fact in facts["lines"])


def test_the_beam_is_told():
    text = "\n".join(filter_lines(filter_facts(FILTERS["dual-7nm"], Beam(2.8, 0.4))))
    assert "light   in light that converges at f/2.8 with 40 % of the diameter obstructed, index 1.8" in text
