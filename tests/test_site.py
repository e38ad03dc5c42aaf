"""The site that `make docs` builds: without a warning, whole, and with nothing loaded from outside."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
LOADED = re.compile(
    r"""(?:<(?:script|img|iframe|source|video)[^>]*\bsrc|<link[^>]*\bhref)\s*=\s*["']([^"']+)"""
    r"""|@import\s+([^;]+)|url\(([^)]+)\)"""
)
"""What a browser loads by itself, unlike a link that a reader follows (HTML Standard; CSS Values, ``url()``)."""

OUTSIDE = re.compile(r"(?:^|:|\()//")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built by the words of the Makefile, in a folder of its own."""
    recipe = re.search(
        r"^docs:.*\n\t\$\(BIN\)/sphinx-build (.*)$", (ROOT / "Makefile").read_text("utf-8"), re.M
    )
    assert recipe is not None
    out = tmp_path_factory.mktemp("site")
    words = recipe[1].replace("build/", f"{out}/").split()
    built = subprocess.run(
        [sys.executable, "-m", "sphinx", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (built.returncode, built.stderr) == (0, "")
    return out / "docs"


def test_every_page_is_in_the_site(site: Path) -> None:
    pages = {path.relative_to(DOCS).with_suffix(".html") for path in DOCS.rglob("*.md")}
    assert pages
    assert [str(page) for page in sorted(pages) if not (site / page).exists()] == []


def test_a_reader_finds_every_part_from_every_page(site: Path) -> None:
    page = (site / "recipe.html").read_text(encoding="utf-8")
    parts = ("index", "tutorial", "howto/index", "reference", "science", "decisions/index")
    assert [part for part in parts if f'href="{part}.html' not in page] == []


def loaded_by(text: str) -> list[str]:
    """Addresses that a browser would load for a page or a style sheet."""
    return ["".join(found).strip("\"' ") for found in LOADED.findall(text)]


def test_loads_from_outside_would_be_seen() -> None:
    text = "<script src='https://a.invalid/x.js'></script><link href='//b.invalid/c.css'>@import url(http://c.invalid);"
    assert [address for address in loaded_by(text) if OUTSIDE.search(address)] == [
        "https://a.invalid/x.js",
        "//b.invalid/c.css",
        "url(http://c.invalid)",
    ]


def test_the_site_loads_nothing_from_outside(site: Path) -> None:
    files = [path for path in site.rglob("*") if path.suffix in (".html", ".css")]
    assert len(files) > 50
    outside = {
        f"{path.relative_to(site)}: {address}"
        for path in files
        for address in loaded_by(path.read_text(encoding="utf-8"))
        if OUTSIDE.search(address)
    }
    assert outside == set()


def test_scripts_of_the_site_name_no_address_to_load_from(site: Path) -> None:
    """Search too is of this folder: its index is a script beside the pages."""
    assert (site / "searchindex.js").stat().st_size > 10_000
    for path in site.rglob("*.js"):
        text = path.read_text(encoding="utf-8")
        assert not re.findall(r"""(?:fetch|import|open|src\s*=)\s*\(?["'`](?:https?:)?//""", text), path.name
