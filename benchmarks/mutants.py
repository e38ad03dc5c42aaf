"""Whether tests of the core notice when it is wrong: one small change at a time, made by the package `cosmic-ray`.

Usage: python benchmarks/mutants.py [MODULE ...] [--each 6] [--seed 1] [--minutes 60]      (pip install cosmic-ray)

Of every module of ``src/fourlight/core`` some changes are drawn by chance: another number, operator or comparison, a
loop that is never entered, a condition turned round. Each is made in a copy of the tree, and the module's own doctests
and tests are run, then, where those pass, the tests of the core that import the module, or are those of modules that
do; a change that all of them let pass is printed. Changes of annotations, decorators and texts, which no test could
notice, are not made. What survives, and why, is told in docs/mutants.md.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.commands.init import _all_work_items
from cosmic_ray.mutating import mutate_and_test
from cosmic_ray.testing import run_tests
from cosmic_ray.work_item import MutationSpec, TestOutcome

ROOT = Path(__file__).resolve().parents[1]
CORE, TESTS = Path("src/fourlight/core"), Path("tests/core")
PLAIN_S = 40.0
"""Tests that end in this time without compiling are run so; the others compile what changed."""
LEFT_OUT = ("RemoveDecorator", "ExceptionReplacer", "_Is")
"""What changes nothing that is reckoned: plain Python for compiled code, another name of an error, `is` for `==`."""


@dataclass(frozen=True)
class Tests:
    """How the tests of one module are run."""

    own: list[str]
    others: list[str]
    compiled: bool
    limit_s: float


def _importers(module: str) -> list[Path]:
    """Modules and tests of the core that name a module in an import."""
    named = re.compile(rf"core\.{module}\b|core import [^#]*?\b{module}\b", re.DOTALL)
    places = [*sorted(CORE.glob("*.py")), *sorted(TESTS.glob("test_*.py"))]
    return [path for path in places if path.stem != module and named.search(path.read_text("utf-8"))]


def _dependents(module: str) -> set[Path]:
    """Modules of the core whose compiled code may hold that of a module."""
    found: set[Path] = set()
    waiting = [module]
    while waiting:
        new = {path for path in _importers(waiting.pop()) if path.parent == CORE} - found
        found |= new
        waiting += [path.stem for path in new]
    return found


def _command(paths: list[str]) -> str:
    return f"{sys.executable} -m pytest -x -q --noconftest -p no:cacheprovider -p no:xdist {' '.join(paths)}"


def _tests(module: str) -> Tests | None:
    """How to run the tests of a module, or nothing where they fail before anything was changed."""
    source, test = CORE / f"{module}.py", TESTS / f"test_{module}.py"
    users = [path.stem for path in _importers(module) if path.parent == CORE]
    near = {path for path in _importers(module) if path.parent == TESTS}
    near |= {path for path in (TESTS / f"test_{name}.py" for name in users) if path.exists()}
    others = [str(path) for path in sorted(near - {test})]
    own = [str(source), *([str(test)] if test.exists() else others)]
    for compiled, limit_s in ((False, PLAIN_S), (True, 600.0)):
        os.environ["NUMBA_DISABLE_JIT"] = str(int(not compiled))
        run_tests(_command(own), limit_s) if compiled else None  # compiles what is not
        begun = time.monotonic()
        if run_tests(_command(own), limit_s)[0] == TestOutcome.SURVIVED:
            took_s = time.monotonic() - begun
            return Tests(
                own, others if test.exists() else [], compiled, 20 + (20 if compiled else 5) * took_s
            )
    return None


def _silent(tree: ast.Module) -> set[int]:
    """Lines of annotations, decorators and lists of names."""
    lines: set[int] = set()
    for node in ast.walk(tree):
        parts = [getattr(node, "annotation", None), getattr(node, "returns", None)]
        parts += getattr(node, "decorator_list", [])
        if isinstance(node, ast.Assign) and any(
            isinstance(t, ast.Name) and (t.id == "__all__" or (t.id[:1].isupper() and not t.id.isupper()))
            for t in node.targets
        ):
            parts.append(node)
        for part in parts:
            if part is not None:
                lines |= set(range(part.lineno, part.end_lineno + 1))
    return lines


def _changes(module: str) -> list[MutationSpec]:
    path = CORE / f"{module}.py"
    silent = _silent(ast.parse(path.read_text("utf-8")))
    items = (item.mutations[0] for item in _all_work_items([path], {}))
    return [
        each for each in items
        if each.start_pos[0] not in silent and not any(name in each.operator_name for name in LEFT_OUT)
    ]  # fmt: skip


def _survives(change: MutationSpec, tests: Tests, stale: set[Path]) -> str | None:
    """What was changed, where no test noticed."""
    os.environ["NUMBA_DISABLE_JIT"] = str(int(not tests.compiled))
    for paths, compiled in ((tests.own, tests.compiled), (tests.others, True)):
        if not paths:
            continue
        os.environ["NUMBA_DISABLE_JIT"] = str(int(not compiled))
        for path in stale if compiled else ():
            path.touch()
        made = mutate_and_test([change], _command(paths), tests.limit_s if paths is tests.own else 600)
        if made.test_outcome != TestOutcome.SURVIVED:
            return None
    lines = [line for line in made.diff.splitlines() if line[:1] in "-+" and line[:3] not in ("---", "+++")]
    return "\n".join(f"    {line}" for line in lines)


def _tried(
    modules: list[str], each: int, seed: int, until: float
) -> Iterator[tuple[str, int, int, list[str]]]:
    """Module, changes there are, those tried, and those that nothing noticed."""
    for module in modules:
        if time.monotonic() > until:
            return
        tests = _tests(module)
        if tests is None:
            print(f"{module}: its tests do not pass by themselves, or take too long", flush=True)
            continue
        stale, changes = _dependents(module), _changes(module)
        drawn = random.Random(f"{seed} {module}").sample(changes, min(each, len(changes)))
        left = []
        for change in drawn:
            text = _survives(change, tests, stale)
            if text is not None:
                left.append(f"  {module}.py:{change.start_pos[0]}, {change.definition_name}\n{text}")
        yield module, len(changes), len(drawn), left


def main() -> None:
    """Print what survives, module by module, and how many there were."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("modules", nargs="*")
    parser.add_argument("--each", type=int, default=6, help="changes drawn of each module")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0, help="no new module is begun after them")
    chosen = parser.parse_args()
    until = time.monotonic() + 60 * chosen.minutes
    with tempfile.TemporaryDirectory() as folder:
        for part in ("src", "tests", "pyproject.toml"):
            copy = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
            copy(
                ROOT / part,
                Path(folder, part),
                **({"ignore": shutil.ignore_patterns("__pycache__")} if copy is shutil.copytree else {}),
            )
        os.chdir(folder)
        os.environ |= {"PYTHONPATH": f"{folder}/src:{folder}/tests", "NUMBA_CACHE_DIR": f"{folder}/cache"}
        modules = chosen.modules or sorted(path.stem for path in CORE.glob("[a-z]*.py"))
        random.Random(chosen.seed).shuffle(modules)
        counts = [0, 0, 0, 0]
        for module, there, tried, left in _tried(modules, chosen.each, chosen.seed, until):
            print(
                f"{module}: {there} changes, {tried} tried, {len(left)} not noticed",
                *left,
                sep="\n",
                flush=True,
            )
            counts = [a + b for a, b in zip(counts, (1, there, tried, len(left)), strict=True)]
    print("{} modules, {} changes, {} tried, {} not noticed".format(*counts))


if __name__ == "__main__":
    main()
