"""What frames of each role are called: one table for the terminal, the notes and the report."""

import ast
from pathlib import Path

import pytest

import fourlight
from fourlight.core.phase import CLEAR_SIGMA
from fourlight.frames import Role
from fourlight.report.aside import role_count
from fourlight.report.calibration import DARKS, darkened
from fourlight.report.mosaic import mosaic
from fourlight.stages.groups import ROLE_NAMES, counted
from invented_run import summary

SOURCES = sorted(Path(fourlight.__file__).parent.rglob("*.py"))


def strings(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


@pytest.mark.parametrize("role", list(Role))
def test_notes_and_report_call_a_role_the_same(role):
    for number in (1, 3):
        assert role_count(str(role), number) == counted(number, role)


def test_the_plurals_stand_in_one_module():
    for name in ("darks for flats", "dark for flats"):
        assert [path.name for path in SOURCES if name in strings(path)] == ["groups.py"]


def test_every_way_of_taking_a_dark_off_counts_as_darkened():
    assert [path.name for path in SOURCES if "scaled dark" in strings(path)] == [
        "calibration.py",
        "offsets.py",
    ]
    assert darkened(dict.fromkeys((*DARKS, "bias", "none"), 2)) == 4


def test_the_significance_that_is_enough_is_the_one_that_decides():
    assert f"({CLEAR_SIGMA:g} are enough)" in dict(mosaic(summary())["mosaic"])["How sure this is"]
    assert ROLE_NAMES.keys() == set(Role)
