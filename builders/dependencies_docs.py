"""Write docs/dependencies.md from pyproject.toml, the lock files and builders/dependencies.toml.

Run as ``python builders/dependencies_docs.py``; tests check that the page is current and that licences are as stated.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
HEAD = """# What Fourlight rests on

Every package that the program installs, what for, and under which licence. Versions are those of `locks/run.txt` and
`locks/dev.txt`, which also hold a hash of every file, so that an installation takes these files or none. This page is
made by `python builders/dependencies_docs.py`; tests hold it against `pyproject.toml`, the locks, and what packages
state of themselves. Where two versions are named, the first is for older versions of Python.

The program itself is under the BSD 3-Clause licence. It opens no connection unless a cluster is named, and its page
answers this machine alone: a test runs the main job with all connections refused. Files are never unpickled: another
test looks through every module for that.
"""


def requirements() -> dict[str, list[str]]:
    """Names of the packages that pyproject.toml asks for: the program's, and those of each extra."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    asked = {"program": project["dependencies"], **project["optional-dependencies"]}
    return {
        part: [re.split(r"[^a-z0-9-]", need)[0] for need in needs if not need.startswith("fourlight")]
        for part, needs in asked.items()
    }


def locked(name: str) -> dict[str, list[str]]:
    """Versions of each package in a lock file."""
    found: dict[str, list[str]] = {}
    text = (ROOT / "locks" / f"{name}.txt").read_text("utf-8")
    for package, version in re.findall(r"^([a-z0-9][a-z0-9._-]*)==([^ ;\\]+)", text, re.M):
        found.setdefault(package, []).append(version)
    return found


def needed_by(name: str) -> list[str]:
    """Packages that bring another one with them, as the lock file of the program tells."""
    text = (ROOT / "locks" / "run.txt").read_text("utf-8")
    blocks = re.findall(rf"^{re.escape(name)}==.*\n((?: +.*\n)+)", text, re.M)
    return sorted(
        {each for block in blocks for each in re.findall(r"# +(?:via )?([a-z][a-z0-9-]+)$", block, re.M)}
        - {"via"}
    )


def reasons() -> dict[str, Any]:
    """What builders/dependencies.toml tells, by part."""
    return tomllib.loads((ROOT / "builders" / "dependencies.toml").read_text("utf-8"))


def page() -> str:
    """The whole page as text."""
    told, asked, run, dev = reasons(), requirements(), locked("run"), locked("dev")
    brought = {
        name: [f"for {', '.join(needed_by(name))}", licence] for name, licence in told["brought"].items()
    }
    return "".join(
        [
            HEAD,
            "\n## The program\n\n" + _table(asked["program"], told["program"], run),
            "\n## What these bring with them\n\n"
            + _table(sorted(set(run) - set(asked["program"])), brought, run),
            "\n## Extras\n\n" + _table(asked["cluster"], told["cluster"], dev),
            _table(asked["docs"], told["docs"], dev).partition("|---|---|---|---|\n")[2],
            "\n## For developers\n\n" + _table(asked["dev"], told["dev"], dev),
        ]
    )


def _table(names: list[str], told: dict[str, Any], versions: dict[str, list[str]]) -> str:
    rows = ["| package | version | licence | what for |", "|---|---|---|---|"]
    for name in names:
        reason, licence = told[name]
        rows.append(f"| {name} | {', '.join(dict.fromkeys(versions[name]))} | {licence} | {reason} |")
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    target = ROOT / "docs" / "dependencies.md"
    target.write_text(page(), encoding="utf-8")
    print(f"wrote {target.name}")
