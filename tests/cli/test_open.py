"""The command that opens the page: what it prints, and what it says of folders that hold nothing to see."""

from __future__ import annotations

import re
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

from web_results import write_results


def test_folders_without_results_are_named(command: Any, tmp_path: Path) -> None:
    outcome = command("open", tmp_path, "--no-browser")
    assert outcome.code == 2
    assert "summary.json: cannot be read (No such file or directory)" in outcome.line


def test_the_link_leads_to_the_page_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    folder = write_results(tmp_path / "results", (60, 80))
    words = ["-c", "from fourlight.cli import main; main()", "open", str(folder), "--no-browser"]
    with subprocess.Popen([sys.executable, *words], stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stderr is not None
            link = re.findall(r"http://\S+", process.stderr.readline())[0]
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            assert b"Fourlight" in opener.open(link, timeout=30).read()
            process.terminate()
            assert process.wait(20) == 0
            assert process.stderr.read() == ""
        finally:
            process.kill()
