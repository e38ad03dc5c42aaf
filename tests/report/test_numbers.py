"""Numbers as printed: shares sum to 100, errors carry their sign, one thing is one thing."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fourlight.report.grounds import grounds
from fourlight.report.page import page
from fourlight.report.shares import in_tenths
from fourlight.report.words import counted, typeset, with_error
from invented_run import provenance, summary
from parsed_page import parsed


def shown(facts):
    return parsed(page(facts, np.zeros((4, 4, 3), np.float32), {}, {"inputs": {"/a/b.fits": "0"}})).text


def test_shares_of_the_planes_sum_to_a_hundred_as_printed():
    """Shares of a real sky: rounded each by itself to whole per cents they sum to 99."""
    facts = summary()
    for name, share in zip(("R", "G1", "G2", "B"), (0.26901, 0.28492, 0.28488, 0.16119), strict=True):
        facts["planes"][name]["share_of_electrons"] = share
    text = shown(facts)
    row = [re.search(rf"{name} (\d+\.\d) %", text)[1] for name in ("Red", "Green 1", "Green 2", "Blue")]
    assert sum(round(10 * float(share)) for share in row) == 1000
    red, green, blue = re.search(
        r"included, ([\d.]+) % came .* red, ([\d.]+) % through .* and ([\d.]+) % through blue", text
    ).groups()
    assert (red, blue) == (row[0], row[3])
    assert float(green) == pytest.approx(float(row[1]) + float(row[2]), abs=1e-9)


def test_seats_go_to_the_largest_remainders():
    # By hand: quotas 142.857 three times and 571.429; the three tenths left over go to the three .857.
    assert in_tenths({"a": 1, "b": 1, "c": 1, "d": 4}) == {"a": 143, "b": 143, "c": 143, "d": 571}


@given(st.lists(st.floats(0, 1e6), min_size=4, max_size=4).filter(lambda v: sum(v) > 1e-3))
def test_tenths_sum_to_a_thousand_and_stay_within_one_of_the_truth(values):
    tenths = in_tenths(dict(zip("abcd", values, strict=True)))
    assert sum(tenths.values()) == 1000
    for share, value in zip(tenths.values(), values, strict=True):
        assert abs(share - 1000 * value / sum(values)) < 1.001


@pytest.mark.parametrize("bad", [None, float("nan"), -0.1, True])
def test_a_share_that_is_not_known_leaves_all_of_them_out(bad):
    assert in_tenths({"R": 0.4, "B": bad}) == {}


def test_errors_stand_behind_a_plus_minus():
    assert typeset("Gain 0.800 +- 0.002 e/ADU") == "Gain 0.800 ± 0.002 e/ADU"
    assert with_error(90.23, 0.147) == "90.23 ± 0.15"
    facts = summary()
    facts["calibration"]["notes"] = ["Gain 0.800 +- 0.002 e/ADU from flats and bias."]
    for frame in facts["frames"]:
        frame["transparency"] = {"G1": 0.95, "G2": 0.95}
        frame["transparency_error"] = {"G1": 0.0021, "G2": 0.0021}
    text = shown(facts)
    assert "+-" not in text
    assert "0.800 ± 0.002" in text
    assert "95.00 ± 0.21 %" in text


def test_one_thing_is_written_as_one():
    facts = summary()
    facts["frames"] = facts["frames"][:1]
    facts["set_aside"] = facts["set_aside"][3:4]
    facts["nights"] = facts["nights"][:1]
    text = shown(facts)
    assert "1 light of Lantern Nebula from 1 night" in text
    assert "but 1 flat could not be used; the reason is below" in text
    assert not re.findall(r"\b1 (?:lights|frames|nights|flats|files|input files)\b", text)
    assert "Fingerprint of 1 input file" in text
    assert counted(2, "frame") == "2 frames"


def test_gain_and_read_noise_come_with_their_errors():
    facts = summary()
    assert dict(row[:2] for row in grounds(facts))["Gain"] == "0.251 e⁻ per ADU"
    facts["noise"] |= {"gain_e_per_adu": 0.7931, "gain_error": 0.0212, "read_noise_error": 0.034}
    rows = dict(row[:2] for row in grounds(facts))
    assert rows["Gain"] == "0.793 ± 0.021 e⁻ per ADU"
    assert rows["Read noise"] == "1.52 ± 0.03 e⁻"


def test_what_all_lights_are_worth_is_said_in_the_time_of_the_best():
    assert "Worth as much as the best light for 50 min to 54 min, by colour" in shown(summary())


def test_transparency_has_one_unit_on_the_page():
    """Per cent of the reference light, in the table and along the axis of the chart (used lights: 90 to 94 %)."""
    text = page(summary(), np.zeros((4, 6, 3), np.float32), {}, provenance())
    chart = text.partition("Transparency, % of the reference frame</h3>")[2].partition("</svg>")[0]
    marks = [float(mark) for mark in re.findall(r'class="tick end"[^>]*>([\d.]+)<', chart)]
    assert marks[0] == 0
    assert 90 <= marks[-1] <= 120


def test_signs_of_per_cent_are_set_alike():
    assert typeset("2% of it, 0.16 % of that") == "2\u00a0% of it, 0.16\u00a0% of that"
