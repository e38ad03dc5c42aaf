"""Kernels compile and are kept wherever the program was installed and whoever runs it."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

import fourlight
from fourlight import kernel_cache

USE = """
import os
import numpy as np
import fourlight
from fourlight.core.window import largest_rectangle
assert largest_rectangle(np.ones((6, 9), dtype=bool)) is not None
print(fourlight.__file__)
print(os.environ.get("NUMBA_CACHE_DIR", ""))
"""


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The program in a place where nothing can be kept, for root neither: a file stands where the cache would."""
    package = tmp_path / "site" / "fourlight"
    source = Path(fourlight.__file__).parent
    shutil.copytree(source, package, ignore=shutil.ignore_patterns("__pycache__"))
    for folder in [package, *(path for path in package.iterdir() if path.is_dir())]:
        (folder / "__pycache__").write_text("in the way")
    (tmp_path / "file").write_text("no home")
    (tmp_path / "temporary").mkdir()
    return package.parent


def ran(installed: Path, home: Path) -> tuple[Path, list[str]]:
    """Compile a kernel; the folder that was chosen, and the compiled code in it afterwards."""
    chosen = ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "LOCALAPPDATA", "NUMBA_DISABLE_JIT")
    environment = {name: value for name, value in os.environ.items() if name not in chosen}
    environment |= dict.fromkeys(("HOME", "USERPROFILE"), str(home))
    environment |= dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(installed.parent / "temporary"))
    environment |= {"PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", USE], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    where, place = done.stdout.splitlines()
    assert Path(where).is_relative_to(installed)
    return Path(place), [path.name for path in Path(place).rglob("*.nbc")]


def test_without_a_place_beside_the_program_kernels_go_to_the_users_cache(
    installed: Path, tmp_path: Path
) -> None:
    place, kept = ran(installed, tmp_path / "home")
    assert place.is_relative_to(tmp_path / "home")
    assert kept


# Windows gives every user a temporary folder of their own, which nobody else can fill.
@pytest.mark.skipif(os.name != "posix", reason="elsewhere the temporary folder is the user's own")
def test_without_a_home_they_go_to_a_temporary_folder_of_ones_own(installed: Path, tmp_path: Path) -> None:
    place, kept = ran(installed, tmp_path / "file" / "home")
    assert place.parent == tmp_path / "temporary"
    assert kept
    assert stat.S_IMODE(place.stat().st_mode) == 0o700
    assert ran(installed, tmp_path / "file" / "home") == (place, kept), "and are found again"


# Windows gives every user a temporary folder of their own, which nobody else can fill.
@pytest.mark.skipif(os.name != "posix", reason="elsewhere the temporary folder is the user's own")
@pytest.mark.parametrize("trap", ["open to others", "a link", "a file"])
def test_compiled_code_of_others_is_never_run(installed: Path, tmp_path: Path, trap: str) -> None:
    """A folder that somebody else could have filled is passed over; what is used instead goes afterwards."""
    place = tmp_path / "temporary" / f"fourlight-{os.getuid()}"
    if trap == "a file":
        place.write_text("x")
    else:
        target = tmp_path / "target"
        target.mkdir(mode=0o700)
        place.symlink_to(target) if trap == "a link" else target.rename(place)
        place.chmod(0o777 if trap == "open to others" else 0o700)
    used, _ = ran(installed, tmp_path / "file" / "home")
    assert used.parent == tmp_path / "temporary"
    assert used != place
    assert not used.exists()


def test_a_place_that_was_chosen_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", "chosen")
    kernel_cache.settle()
    assert os.environ["NUMBA_CACHE_DIR"] == "chosen"
