"""What the program rests on: every package is known with its licence, nothing is fetched, nothing is unpickled."""

from __future__ import annotations

import ast
import importlib.metadata as installed
import importlib.util
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from astropy.utils import iers

from fourlight.io.arrays import mapped_array
from fourlight.sky.moon import moon_altitudes, offline
from sockets import no_network

ROOT = Path(__file__).parent.parent
PARTS = {"llvmlite": "numba", "markupsafe": "jinja2", "pydantic_core": "pydantic"}
"""Modules that belong to a package that is named, and come with it."""

FAMILIES = {
    "MIT": r"\bMIT\b",
    "BSD": r"\bBSD|Redistribution and use in source and binary forms",
    "Apache": r"\bApache",
    "PSF": r"\bPSF|Python Software Foundation",
    "ISC": r"\bISC\b",
    "MPL": r"\bMPL\b|Mozilla Public",
    "LGPL": r"LGPL|Lesser General Public",
    "GPL": r"(?<!L)GPL|(?<!Lesser )General Public",
}
"""Licences as SPDX names them, as classifiers do, and by a sentence of their text."""

UNPICKLERS = {"pickle", "_pickle", "cPickle", "cloudpickle", "dill", "joblib", "marshal", "shelve"}


@pytest.fixture(scope="module")
def table() -> ModuleType:
    """The builder of docs/dependencies.md."""
    spec = importlib.util.spec_from_file_location("dependencies_docs", ROOT / "builders/dependencies_docs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def licences_of(name: str) -> set[str]:
    """Families of licences that an installed package states of itself."""
    stated = installed.metadata(name)
    classifiers = [text for text in stated.get_all("Classifier") or [] if text.startswith("License")]
    text = " ".join([stated.get("License-Expression") or "", *classifiers]).strip()
    text = text if re.search("|".join(FAMILIES.values()), text) else f"{text} {stated.get('License') or ''}"
    return {family for family, pattern in FAMILIES.items() if re.search(pattern, text)}


def test_every_package_has_a_reason_and_is_locked(table: ModuleType) -> None:
    asked, told = table.requirements(), table.reasons()
    for part, names in asked.items():
        assert sorted(told[part]) == sorted(names), part
    assert set(told["brought"]) == set(table.locked("run")) - set(asked["program"])
    assert {name for names in asked.values() for name in names} <= set(table.locked("dev"))


def test_licences_are_those_that_packages_state(table: ModuleType) -> None:
    """Packages for other systems are not installed, and `drizzle` states none in its metadata."""
    told = table.reasons()
    known = {name: each[1] for part in table.requirements() for name, each in told[part].items()}
    known |= told["brought"]
    seen = 0
    for name, licence in known.items():
        if name in ("colorama", "drizzle"):
            continue
        assert licence in licences_of(name), name
        seen += 1
    assert seen > 50


def test_no_package_of_the_program_asks_for_its_licence_in_return(table: ModuleType) -> None:
    names = [name for name in table.locked("run") if name != "colorama"]
    assert [name for name in names if {"GPL", "LGPL", "MPL"} & licences_of(name)] == []


@pytest.fixture(scope="module")
def sources() -> dict[str, list[ast.AST]]:
    """What each module of the program is made of."""
    paths = (ROOT / "src").rglob("*.py")
    return {str(path): list(ast.walk(ast.parse(path.read_text(encoding="utf-8")))) for path in paths}


def imported(nodes: list[ast.AST]) -> Iterator[str]:
    """Packages that a module imports from."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.partition(".")[0]


def test_the_program_imports_no_package_that_it_does_not_name(
    table: ModuleType, sources: dict[str, list[ast.AST]]
) -> None:
    asked = table.requirements()
    owners = installed.packages_distributions()
    named = {*asked["program"], *asked["cluster"], "fourlight"}
    found = {name for nodes in sources.values() for name in imported(nodes)} - set(sys.stdlib_module_names)
    assert {"numpy", "astropy", "PIL"} <= found
    wanted = {PARTS.get(name, name) for name in found} - {"fourlight"}
    assert [name for name in wanted if not {each.lower() for each in owners[name]} & named] == []


def test_no_module_can_unpickle(sources: dict[str, list[ast.AST]]) -> None:
    """Neither by a library for that, nor by numpy, whose `load` refuses objects unless told otherwise."""
    assert len(sources) > 500
    for name, nodes in sources.items():
        assert not set(imported(nodes)) & UNPICKLERS, name
        told = [node.value for node in nodes if isinstance(node, ast.keyword) and node.arg == "allow_pickle"]
        assert all(isinstance(value, ast.Constant) and value.value is False for value in told), name


class Trap:
    """Leaves a file where it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.touch, (self.path,)


def test_an_array_with_objects_is_refused(tmp_path: Path) -> None:
    """A file in the place of a work file, by whoever may write there."""
    sprung = tmp_path / "sprung"
    np.save(tmp_path / "trap.npy", np.array([Trap(sprung)], dtype=object), allow_pickle=True)
    with pytest.raises(ValueError, match=r"[Oo]bject"):
        mapped_array(tmp_path / "trap.npy", "r")
    assert not sprung.exists()
    np.load(tmp_path / "trap.npy", allow_pickle=True)
    assert sprung.exists(), "the trap works"


def test_tables_of_the_sky_are_not_fetched_however_old_they_are() -> None:
    """astropy fetches leap seconds, and the Earth's rotation after its table, where nothing keeps it from that.

    That a run asks for nothing is tested in cli/test_run.py; whether it would depends on the age of what is installed.
    """
    with no_network() as asked:
        assert np.isfinite(moon_altitudes([datetime(2040, 3, 1, tzinfo=UTC)], 30.0, 10.0)).all()
        with offline(), pytest.raises(ValueError, match="none of the files could be read"):
            iers.LeapSeconds.auto_open(["https://tables.invalid/leap-seconds.list"])
    assert asked == []
