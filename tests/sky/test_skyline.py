"""Skylines from files: what they say, and what could be read in two ways."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.sky.skyline import skyline_from_text


@pytest.mark.parametrize(
    "text",
    [
        "azimuth,altitude\n0,12\n90,6\n200,9\n",
        "alt;az\n12;0\n6;90\n9;200\n",
        "# made by hand\naz\talt\n0\t12\n90\t6 # the barn\n200\t9",
        "Az_deg Alt_deg\n200 9\n0 12\n90 6",
        "0,12\n90,6\n200,9",
        "az,alt\n0,12\n90,6\n200,9\n360,12",
    ],
)
def test_the_same_in_several_spellings(text: str) -> None:
    line = skyline_from_text(text, "mine.csv")
    assert line.at([0.0, 45.0, 90.0, 145.0, 200.0, 280.0, 359.999]) == pytest.approx(
        [12.0, 9.0, 6.0, 7.5, 9.0, 10.5, 12.0], abs=1e-3
    )
    assert line.widest_gap_deg == pytest.approx(160.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no row"),
        ("az,alt\n30,20\n40,20\n50,20", "no direction for 340 degrees"),
        ("10,20\n20,30\n30,40", "either order"),
        ("12,0\n6,90\n9,200", "either order"),
        ("az,alt\n10,20\n10,30\n30,40", "azimuth 10 has two altitudes"),
        ("az,alt\n0,12\n360,13\n100,5", "azimuth 0 has two altitudes"),
        ("az,alt\n-10,20\n10,30\n30,40", "azimuths of -10"),
        ("az,alt\n0,95\n10,30\n30,40", "altitudes of 30 to 95"),
        ("az,alt\n0,5\n10,30", "2 of the 3 directions"),
        ("az,alt\n0,5\n10\n30,40", "line 3 has 1 cells"),
        ("az,alt\n0,5,1\n10,3\n30,40", "line 2 has 3 cells"),
        ("az;alt\n0;5;5\n90;3,2\n180;4", "line 2 has 3 cells"),
        ("direction,height\n0,5\n10,3\n30,40", "its head is"),
        ("az,alt,note\n0,5\n10,3\n30,40", "its head is"),
        ("az,alt\n0,5\n10,nan\n30,40", "no finite number"),
        ("0,5°\n10,3\n30,40", "line 1 has 2 cells"),
    ],
)
def test_what_can_be_read_in_two_ways_or_not_at_all(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        skyline_from_text(text, "mine.csv")


def test_decimal_commas_are_read_between_semicolons_and_tabs() -> None:
    """As spreadsheets of many countries write them."""
    with_points = skyline_from_text("azimuth,altitude\n0.5,5.5\n90,3.2\n180,4\n270,1", "mine.csv")
    for apart in (";", "\t", " ; "):
        rows = (("azimuth", "altitude"), ("0,5", "5,5"), ("90", "3,2"), ("180", "4"), ("270", "1"))
        found = skyline_from_text("\n".join(apart.join(row) for row in rows), "mine.csv")
        assert found.altitude_deg.tolist() == with_points.altitude_deg.tolist()
        assert found.azimuth_deg.tolist() == with_points.azimuth_deg.tolist()


def test_straight_lines_between_directions_across_north() -> None:
    line = skyline_from_text("az,alt\n350,10\n10,20\n180,0", "mine.csv")
    assert np.asarray(line.at([0.0, 355.0, 5.0])) == pytest.approx([15.0, 12.5, 17.5])
