"""Evidence that fails costs nothing but itself: stack, picture and page are written, and what failed is told."""

from __future__ import annotations

import json
import logging
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fourlight.errors import CancelledError, InputError, OutputError, StageError
from fourlight.pipeline import products
from fourlight.pipeline.spared import spared
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import DULL, PLAIN, words

RESULTS = ("stack.fits", "halves.fits", "picture.png", "summary.json", "report.html", "provenance.json")

SPARSE = """
seed = 3
[object]
size = 0.7
[camera]
width_px = 240
height_px = 200
[stars]
count = 70
cluster_count = 0
[[nights]]
count = {count}
dither_px = {dither}
"""
DULLY = words(DULL)
CHANNELS = words([*DULL, "evidence.claims=false"])
DROPS = ("--set", "integrate.method=drizzle", "--set", "integrate.pixfrac=0.5")


def numberless(out: Path) -> list[str]:
    """Numbers of the page that are none, pictures left out."""
    text = re.sub(r"base64,[^\"')]*", "", (out / "report.html").read_text())
    return re.findall(r"\bnan\b|\binf\b", text, re.IGNORECASE)


def failing(error: BaseException) -> Any:
    def fail(*_: Any, **__: Any) -> Any:
        raise error

    return fail


@pytest.fixture(autouse=True)
def _quiet() -> Any:
    """``--debug`` ends with the test that asked for it."""
    yield
    log = logging.getLogger("fourlight")
    log.handlers, log.level = [], logging.NOTSET


FAULT = IndexError("too many indices")
SAID = "a fault of the program (IndexError: too many indices); please report it"


@pytest.mark.parametrize(
    ("place", "error", "said"),
    [
        ("looked_at", FAULT, SAID),
        ("widths_of", FAULT, SAID),
        ("channels_of", MemoryError(), "not enough memory; close other programs or lower run.memory_gb"),
        ("claims_of", StageError("claims", None, "no light", "one"), "no light"),
    ],
)
def test_a_run_whose_evidence_fails_has_its_results(
    command: Any, raw: Path, tmp_path: Path, evidence: None, monkeypatch: pytest.MonkeyPatch, error: Exception,
    said: str, place: str,
) -> None:  # fmt: skip
    from fourlight.pipeline import evidence as step

    monkeypatch.setattr(step, place, failing(error))
    out = tmp_path / "out"
    done = command("run", raw, "--out", out, *DULLY)
    assert done.code == 0, done.err
    assert all((out / name).exists() for name in RESULTS)
    assert "Traceback" not in done.err
    told = [line for line in done.err.splitlines() if line.startswith("to know") and said in line]
    assert len(told) == 1, done.err
    assert said.split(";")[0] in (out / "report.html").read_text()
    assert any(said in line for line in json.loads((out / "summary.json").read_text())["to_know"])
    assert (out / "claims.json").exists() == (place == "channels_of")
    assert (out / "channels.json").exists() == (place == "claims_of")


def test_debug_shows_where_it_failed(
    command: Any, raw: Path, tmp_path: Path, evidence: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fourlight.pipeline import evidence as step

    monkeypatch.setattr(step, "looked_at", failing(IndexError("too many indices")))
    done = command("run", raw, "--out", tmp_path / "out", "--debug", *DULLY)
    assert done.code == 0
    assert "Traceback" in done.err
    assert "in fail" in done.err


@pytest.mark.parametrize(
    "error", [KeyboardInterrupt(), CancelledError("stopped"), OutputError("out: the disk is full")], ids=repr
)
def test_a_stop_and_a_full_disk_end_the_run(
    command: Any, raw: Path, tmp_path: Path, evidence: None, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:  # fmt: skip
    from fourlight.pipeline import evidence as step

    monkeypatch.setattr(step, "looked_at", failing(error))
    done = command("run", raw, "--out", tmp_path / "out", *DULLY)
    assert done.code in (1, 2)
    assert not (tmp_path / "out" / "stack.fits").exists()


def test_ctrl_c_inside_compiled_code_is_still_ctrl_c() -> None:
    wrapped = SystemError("returned a result with an exception set")
    wrapped.__cause__ = KeyboardInterrupt()
    with pytest.raises(SystemError):
        spared([], "what", failing(wrapped))
    told: list[str] = []
    assert spared(told, "what", failing(InputError("no such region"))) is None
    assert told == ["what could not be made: no such region; stack and picture do not depend on it"]
    assert spared(told, "what", lambda: 3) == 3
    assert len(told) == 1


def test_a_figure_that_fails_costs_no_result(
    command: Any, raw: Path, tmp_path: Path, evidence: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(products, "write_figures", failing(ValueError("Axis limits cannot be NaN or Inf")))
    out = tmp_path / "out"
    done = command("run", raw, "--out", out, *DULLY)
    assert done.code == 0
    assert "a figure of the channels could not be made" in done.err
    assert all((out / name).exists() for name in (*RESULTS, "channels.json", "claims.json"))
    assert any("figure" in line for line in json.loads((out / "summary.json").read_text())["to_know"])


def test_evidence_of_an_earlier_run_goes_where_there_is_none(
    command: Any, raw: Path, tmp_path: Path, evidence: None
) -> None:
    out, less = tmp_path / "out", words(PLAIN)
    assert command("run", raw, "--out", out, *DULLY).code == 0
    assert (out / "channels.json").exists()
    assert (out / "figures").exists()
    assert command("run", raw, "--out", out, *less).code == 0
    assert not [name for name in ("channels.json", "claims.json", "figures") if (out / name).exists()]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(("count", "dither", "asked"), [(3, 0.0, CHANNELS), (5, 6.0, [])])
def test_colours_that_lie_beside_each_other_tell_nothing_of_shares(
    command: Any, tmp_path: Path, evidence: None, count: int, dither: float, asked: list[str]
) -> None:
    """Small drops of few lights: no pixel holds all colours, or no two pixels beside each other do in both halves.

    The second stack goes through claims and all steps of the picture as well.
    """
    simulate(loads(SPARSE.format(count=count, dither=dither)), tmp_path / "raw")
    out = tmp_path / "out"
    done = command("run", tmp_path / "raw", "--out", out, *DROPS, *asked)
    assert done.code == 0, done.err
    assert "could not be made" not in done.err
    assert "Warning" not in done.err
    found = json.loads((out / "channels.json").read_text())
    assert bool(found["regions"]) == (count == 5)
    assert found["notes"]
    for region in found["regions"].values():
        assert None in region["noise_over_model"].values()
    for regions in found["shares"].values():
        for channels in regions.values():
            assert {share["value"] for share in channels.values()} == {None}
            assert all((share["low"], share["high"]) == (0.0, 1.0) for share in channels.values())
    assert not numberless(out)
    shutil.rmtree(tmp_path / "raw")


def test_channels_are_plain_before_anybody_draws_them(
    command: Any, raw: Path, tmp_path: Path, evidence: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shares that are not numbers reach page and figures as None, as they stand in the file."""
    from fourlight.core.trials import trial_of
    from fourlight.pipeline import channels
    from fourlight.stages import channel_shares

    measured = channel_shares.shares

    def unknown(*given: Any) -> Any:
        found = measured(*given)
        first = next(iter(found["electrons"].values()))
        first["R"] = trial_of(float("nan"), float("inf"), 0.0)
        return found

    monkeypatch.setattr(channels.channel_shares, "shares", unknown)
    got: list[Any] = []
    write = products.write_figures

    def drawn(folder: Path, facts: Any, *rest: Any, **more: Any) -> Any:
        got.append(facts)
        return write(folder, facts, *rest, **more)

    monkeypatch.setattr(products, "write_figures", drawn)
    out = tmp_path / "out"
    done = command("run", raw, "--out", out, *CHANNELS)
    assert done.code == 0
    assert "could not be made" not in done.err
    assert got[0] == json.loads((out / "channels.json").read_text())
    assert None in [share["R"]["value"] for share in got[0]["shares"]["electrons"].values()]
    assert not numberless(out)
    assert np.isfinite([got[0]["balance"]["error"][c] for c in "RGB"]).all()
