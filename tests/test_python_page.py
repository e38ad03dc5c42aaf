"""The page on scripts: its session runs as it stands, and what it names is there and is told whole."""

from __future__ import annotations

import doctest
import inspect
import re
from importlib import import_module
from pathlib import Path

import pytest

PAGE = (Path(__file__).parent.parent / "docs" / "python.md").read_text(encoding="utf-8")
NAMED = re.findall(r"^\.\. autofunction:: (\S+)\.(\w+)$", PAGE, flags=re.M)


def test_the_session_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Word for word, in an empty folder."""
    monkeypatch.chdir(tmp_path)
    text = "\n".join(re.findall(r"```pycon\n(.*?)```", PAGE, flags=re.S))
    session = doctest.DocTestParser().get_doctest(text, {}, "python.md", "python.md", 0)
    said: list[str] = []
    results = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(session, out=said.append)
    assert results.attempted > 15
    assert (results.failed, "".join(said)) == (0, "")


@pytest.mark.parametrize(("module", "name"), NAMED, ids=[name for _, name in NAMED])
def test_what_is_meant_for_scripts_tells_its_parameters(module: str, name: str) -> None:
    """Public, and with a docstring that names every parameter."""
    home = import_module(module)
    function = getattr(home, name)
    assert name in home.__all__
    told = inspect.getdoc(function) or ""
    assert [
        word for word in inspect.signature(function).parameters if not re.search(rf"\b{word}\b", told)
    ] == []
