"""What is nested without end is refused as what is no JSON, so that whoever reads it tells of the file."""

from __future__ import annotations

from pathlib import Path

import pytest

from fourlight.errors import FourlightError
from fourlight.json_text import json_of
from fourlight.provenance import load

ENDLESS = "[" * 100_000


def test_endless_brackets_are_no_json() -> None:
    with pytest.raises(ValueError, match="nested too deeply"):
        json_of(ENDLESS)


def test_a_record_of_them_is_refused_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "provenance.json").write_text(ENDLESS)
    with pytest.raises(FourlightError, match=r"provenance\.json"):
        load(tmp_path / "provenance.json")
