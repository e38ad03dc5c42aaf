"""Files that a user names: what is too long, or has no end, is refused before it fills the memory."""

from __future__ import annotations

from pathlib import Path

import pytest

from fourlight import provenance
from fourlight.errors import InputError
from fourlight.io import texts

ENDLESS = Path("/dev/zero")


def test_a_text_is_read_up_to_its_longest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(texts, "MOST_BYTES", 100)
    path = tmp_path / "a.toml"
    path.write_text("x" * 100)
    assert texts.text_of(path, "a text", "name another") == "x" * 100
    path.write_text("x" * 101)
    with pytest.raises(InputError, match=r"a\.toml: is no text, or one of more than .* MB; name another"):
        texts.text_of(path, "a text", "name another")


# Windows has no file without an end; there the test above, with a file that is too long, stands alone.
@pytest.mark.skipif(not ENDLESS.exists(), reason="no such device here")
def test_what_has_no_end_is_refused() -> None:
    with pytest.raises(InputError, match="more than 4 MB"):
        texts.text_of(ENDLESS, "a text", "name another")


def test_a_record_is_read_up_to_its_longest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(provenance, "MOST_LETTERS", 100)
    path = tmp_path / "provenance.json"
    path.write_text("[" + " " * 100 + "]")
    with pytest.raises(InputError, match="no JSON is in it"):
        provenance.load(path)
