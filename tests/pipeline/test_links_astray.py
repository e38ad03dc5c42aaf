"""Links that lead nowhere (a disk that is not there, a file that was moved) are listed and passed over."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from plain_runs import PLAINLY

TARGETS = {
    "a.fits": "out/gone.fits",
    "b.fits": "gone.fits",
    "c.fits": "unplugged/night/gone.fits",
    "d.fits": "raw/d.fits",
}
"""Where links lead: into OUT, beside OUT, nowhere at all, and to itself."""


def test_links_astray_do_not_block_a_run(command: Any, raw: Path, tmp_path: Path) -> None:
    for name, target in TARGETS.items():
        (raw / name).symlink_to(tmp_path / target)
    (raw / "night2").symlink_to(tmp_path / "unplugged")
    done = command("run", raw, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    reasons = {item["file"]: item["reason"] for item in summary["set_aside"]}
    assert reasons.keys() == {*TARGETS, "night2"}
    assert all("cannot be followed" in reason for reason in reasons.values())
    assert all(str(tmp_path / target) in reasons[name] for name, target in TARGETS.items())
    assert len(summary["frames"]) == 4


def test_a_link_astray_named_alone(command: Any, tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "dead.fits").symlink_to(tmp_path / "gone.fits")
    done = command("run", tmp_path / "raw" / "dead.fits", "--out", tmp_path / "out")
    assert done.code == 2
    assert "cannot be followed" in done.line
    assert "connect the disk it leads to or take the link away" in done.line
    assert not (tmp_path / "out").exists()
