"""The command that opens the page: what it prints, and what it says of folders that hold nothing to see."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from fourlight.cli.open import _beginning, _project
from fourlight.pipeline.offers import Sources
from web_results import write_results


def test_folders_without_results_are_named(command: Any, tmp_path: Path) -> None:
    file = tmp_path / "note.txt"
    file.write_text("no frame")
    for place, said in (
        (tmp_path / "nowhere", "nowhere: no such folder; name the OUT of a run, or a folder of raw frames"),
        (tmp_path, "holds neither results nor raw frames"),
        (file, "note.txt: is a file"),
    ):
        outcome = command("open", place, "--no-browser")
        assert (outcome.code, said in outcome.line) == (2, True), outcome.err


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


def test_nights_are_opened_to_be_run(raw: Path, tmp_path: Path) -> None:
    """Results go beside them, or where they are wanted; what was named at the start is all that jobs read."""
    beside = _project(raw, None, None, [])
    assert beside.folder == tmp_path / "raw-results"
    assert beside.sources.nights == (raw,)
    recipe = tmp_path / "mine.toml"
    recipe.write_text("[integrate]\nmethod = 'drizzle'\n")
    wanted = _project(raw, tmp_path / "out", recipe, [raw])
    assert wanted.folder == tmp_path / "out"
    assert wanted.sources.recipe.integrate.method == "drizzle"
    assert wanted.sources.added == (raw,)
    assert not (tmp_path / "out").exists(), "nothing is written before a job is started"


def test_without_a_folder_the_page_says_how_to_begin(
    command: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The demo would go where the command line puts it, or where one wants it; nothing is written before."""
    monkeypatch.chdir(tmp_path)
    usual = _beginning(None, None, others=False)
    assert usual.sources.demo == tmp_path / "demo"
    assert usual.folder == tmp_path / "demo" / "results"
    assert _beginning(tmp_path / "mine", None, others=False).sources.demo == tmp_path / "mine"
    assert list(tmp_path.iterdir()) == []
    for words in (["--out", "x"], ["--add", "x"], [str(tmp_path), "--demo", "x"]):
        outcome = command("open", *words, "--no-browser")
        assert outcome.code == 2
        assert "folder" in outcome.line or "leave one of the two out" in outcome.line


def test_results_are_opened_with_a_night_to_be_added(raw: Path, tmp_path: Path) -> None:
    folder = write_results(tmp_path / "results", (60, 80))
    assert _project(folder, None, None, [raw]).sources == Sources(added=(raw,))


def test_what_cannot_be_opened_is_one_line(command: Any, raw: Path, tmp_path: Path) -> None:
    folder = write_results(tmp_path / "results", (60, 80))
    for words, said in (
        ([folder, "--out", tmp_path / "out"], "--out and --recipe go with a folder of raw frames"),
        ([folder, "--add", tmp_path / "nothing"], "nothing: no such file or folder"),
        ([raw, "--out", raw / "out"], "raw"),
        ([raw, "--recipe", tmp_path / "nothing.toml"], "nothing.toml"),
        ([folder, "--sites", tmp_path / "places.toml"], "places.toml: cannot be read as a file of sites"),
    ):
        done = command("open", *words, "--no-browser")
        assert (done.code, said in done.line) == (2, True), done.err


# Windows cannot ask a process to end; Ctrl-C there goes to the whole console.
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_ctrl_c_stops_the_job_at_work_and_says_so(tmp_path: Path) -> None:
    folder = write_results(tmp_path / "results", (60, 80))
    tidied, begun = tmp_path / "tidied", tmp_path / "begun"
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
        "from pathlib import Path; from fourlight.pipeline import project; from job_orders import Waits;"
        f"project.order_for = lambda *wish: Waits(Path({str(tidied)!r}), Path({str(begun)!r}));"
        "from fourlight.cli import main; main()"
    )
    words = [sys.executable, "-c", code, "open", str(folder), "--no-browser"]
    around = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True, env=around) as process:
        try:
            assert process.stderr is not None
            link = re.findall(r"http://\S+", process.stderr.readline())[0]
            here = link.partition("/enter")[0]
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            opener.open(link, timeout=30).read()
            secret = json.load(opener.open(f"{here}/session", timeout=30))["writing"]
            wish = urllib.request.Request(
                f"{here}/jobs", b'{"kind": "picture"}', {"fourlight-writing": secret}
            )
            assert opener.open(wish, timeout=30).status == 200
            until = time.monotonic() + 30
            while not begun.exists():
                assert time.monotonic() < until
                time.sleep(0.02)
            process.send_signal(signal.SIGINT)
            assert process.wait(20) == 0
            assert process.stderr.read().splitlines() == [
                "stopping the job at work (Wait); Ctrl-C once more ends it at once",
                "stopped (Wait): what is done is kept; start it again to continue",
            ]
            assert tidied.exists()
        finally:
            process.kill()
