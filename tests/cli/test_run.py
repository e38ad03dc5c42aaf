"""The run command: what it writes, where it refuses to write, names as users have them, and --again."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline import memory
from plain_runs import PLAINLY

FILES = {
    "stack.fits", "halves.fits", "summary.json", "frames.csv",
    "honesty.jpg",
    "sheet.jpg",
    "stars.csv",
    "steps", "picture.tif", "picture.png", "picture.jpg",
    "report.html", "provenance.json", "channels.json", "claims.json", "figures",
}  # fmt: skip
"""All results, as the README lists them."""


def test_a_run_asks_for_no_network(looked_at: Any) -> None:
    """Its claims are made as well, which ask where the Moon was."""
    assert looked_at.asked == ()
    assert (looked_at.as_run / "claims.json").exists()


def test_every_file_is_there_and_only_those(finished: Path) -> None:
    assert {path.name for path in finished.iterdir()} == FILES | {".fourlight", "work"}
    assert {path.name for path in (finished / "work").iterdir()} <= {"masters", "measured", "lock", "sums"}


def test_the_json_summary_is_the_one_in_out(command: Any, raw: Path, tmp_path: Path, untouched: Any) -> None:
    with untouched(raw):
        done = command("run", raw, "--out", tmp_path / "out", "--json")
    assert done.code == 0
    said = json.loads(done.out)
    assert said["frames"][0]["file"] == "light_0001.fits"
    assert json.loads((tmp_path / "out" / "summary.json").read_text()) == said
    stages = [line.split()[0] for line in done.err.splitlines()]
    assert stages[:8] == ["read", "check", "mosaic", "calibrate", "measure", "register", "noise", "integrate"]
    assert str(tmp_path / "out" / "report.html") in done.err
    placed = next(line for line in done.err.splitlines() if line.startswith("register "))
    assert re.search(r"; one star scatters by 0\.\d+ px, the place of a light is known to 0\.\d+ px$", placed)


def test_one_row_per_light(finished: Path, small_night: Path) -> None:
    with (finished / "frames.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert sorted(row["file"] for row in rows) == sorted(path.name for path in small_night.glob("*.fits"))
    assert {row["status"] for row in rows} == {"used"}
    for name in ("stars", "fwhm_px_R", "elongation_G1", "sky_B", "gradient_G2", "noise_R", "transparency_B"):
        assert all(np.isfinite(float(row[name])) for row in rows), name


class Sources(HTMLParser):
    """Addresses that a page makes a browser fetch, and whatever could fetch by itself."""

    FETCHES = frozenset(
        {"src", "srcset", "href", "data", "poster", "action", "background", "xlink:href", "formaction"}
    )

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.addresses += [value or "" for name, value in attrs if name in self.FETCHES and tag != "a"]


def test_the_report_needs_nothing_from_outside(finished: Path) -> None:
    text = (finished / "report.html").read_text(encoding="utf-8")
    page = Sources()
    page.feed(text)
    assert page.addresses
    assert all(address.startswith(("data:", "#")) for address in page.addresses)
    assert not page.tags & {"iframe", "object", "embed", "base", "link"}
    assert not re.search(r"url\((?!['\"]?(data:|#))|@import|fetch\(|XMLHttpRequest", text)
    assert not re.search(r"https?://", re.sub(r"http://www\.w3\.org/\S+", "", text)), (
        "names of SVG are no addresses"
    )


def test_frames_and_results_in_another_folder_give_the_same_bytes(
    command: Any, looked_at: Any, finished: Path, tmp_path: Path, untouched: Any
) -> None:
    with untouched(looked_at.raw), untouched(finished):
        done = command("run", "--again", finished / "provenance.json", "--out", tmp_path / "again")
    assert done.code == 0
    for name in ("stack.fits", "halves.fits", "picture.tif", "picture.png", "picture.jpg", "frames.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (finished / name).read_bytes(), name


def test_again_refuses_changed_and_missing_frames(command: Any, raw: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert command("run", raw, "--out", out, *PLAINLY).code == 0
    before = (out / "stack.fits").read_bytes()
    first, second = raw / "light_0001.fits", raw / "light_0002.fits"
    content = first.read_bytes()
    first.write_bytes(content[:-3000] + b"\1" + content[-2999:])
    done = command("run", "--again", out / "provenance.json")
    assert done.code == 2
    assert "light_0001.fits: has changed" in done.line
    first.write_bytes(content)
    second.rename(tmp_path / "elsewhere.fits")
    done = command("run", "--again", out / "provenance.json")
    assert done.code == 2
    assert "light_0002.fits: is gone" in done.line
    assert (out / "stack.fits").read_bytes() == before


def test_again_uses_the_recorded_frames_and_their_folders_only(
    command: Any, raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Roles from folder names survive, later frames stay out, and the working folder does not matter."""
    place = raw / "darks" / "by day" / "a"
    place.mkdir(parents=True)
    rng = np.random.default_rng(4)
    for n in range(3):
        unit = fits.PrimaryHDU(np.rint(rng.normal(500, 3, (180, 240))).astype(np.uint16))
        unit.header.update({"EXPTIME": 180.0, "CCD-TEMP": -10.0, "GAIN": 100, "BAYERPAT": "RGGB"})
        unit.writeto(place / f"c{n}.fits")
    monkeypatch.chdir(tmp_path)
    assert command("run", "raw", "--out", "out", *PLAINLY).code == 0
    first = json.loads(Path("out/provenance.json").read_text())
    assert len(first["inputs"]) == 7
    shutil.copy(raw / "light_0001.fits", raw / "late.fits")
    os.chdir(raw)
    assert command("run", "--again", "../out/provenance.json", "--out", "../out2").code == 0
    assert (tmp_path / "out2/stack.fits").read_bytes() == (tmp_path / "out/stack.fits").read_bytes()
    assert json.loads((tmp_path / "out2/provenance.json").read_text())["inputs"] == first["inputs"]


@pytest.mark.parametrize("elsewhere", [False, True])
def test_again_keeps_what_is_told_of_files_that_were_set_aside(
    command: Any, raw: Path, tmp_path: Path, elsewhere: bool
) -> None:
    """An empty file, a light of another size and a copy: in the summary, the table, the report and the record."""
    (raw / "empty.fits").write_bytes(b"")
    image, header = fits.getdata(raw / "light_0001.fits"), fits.getheader(raw / "light_0001.fits")
    fits.PrimaryHDU(image[:120, :200], header).writeto(raw / "small.fits")
    shutil.copy(raw / "light_0001.fits", raw / "light_0001 copy.fits")
    out, again = tmp_path / "out", tmp_path / ("again" if elsewhere else "out")
    first = command("run", raw, "--out", out, *PLAINLY)
    assert first.code == 0, first.err
    assert "read                 5 lights of 1 night; no calibration frames; 2 set aside\n" in first.err
    assert "; 1 of 5 lights set aside\n" in first.err, "the copy"
    before, table = json.loads((out / "summary.json").read_text()), (out / "frames.csv").read_bytes()
    scatter = {frame["file"]: frame["rms_px"] for frame in before["frames"]}
    assert [name for name, rms in scatter.items() if rms is None] == [before["grid"]["reference"]]
    assert {item["file"] for item in before["set_aside"]} == {
        "empty.fits",
        "small.fits",
        "light_0001 copy.fits",
    }
    done = command("run", "--again", out / "provenance.json", *(["--out", again] if elsewhere else []))
    assert done.code == 0, done.err
    assert "set aside            empty.fits: " in done.err
    after = json.loads((again / "summary.json").read_text())
    assert after["set_aside"] == before["set_aside"]
    assert (again / "frames.csv").read_bytes() == table
    assert "small.fits" in (again / "report.html").read_text(encoding="utf-8")
    third = command("run", "--again", again / "provenance.json", "--out", tmp_path / "third")
    assert third.code == 0, third.err
    assert json.loads((tmp_path / "third/summary.json").read_text())["set_aside"] == before["set_aside"]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("run",), "no frames named"),
        (("run", "RAW"), "no output folder named"),
        (("run", "RAW/none", "--out", "OUT"), "no such file or folder"),
        (("run", "EMPTY", "--out", "OUT"), "no raw frame found"),
        (("run", "RAW", "--out", "RAW"), "lies inside the raw folder"),
        (("run", "RAW", "--out", "RAW/out"), "lies inside the raw folder"),
        (("run", "RAW/light_0001.fits", "RAW/light_0002.fits", "--out", "RAW/out"), "lies inside the raw"),
        (("run", "LINKS", "--out", "RAW/out"), "lies inside the raw folder"),
        (("run", "LINK", "--out", "RAW/out"), "lies inside the raw folder"),
        (("run", "RAW", "--out", "LINK/out"), "lies inside the raw folder"),
        (("run", "RAW", "--out", "TOP"), "holds the raw folder"),
        (("run", "RAW", "--out", "OTHER"), "holds mine.txt and was not made by Fourlight"),
        (("run", "RAW", "--out", "OTHER/mine.txt"), "is a file"),
        (("run", "RAW", "--out", "OTHER/mine.txt/out"), "(Not a directory); choose another folder"),
        (("run", "RAW", "--out", "OUT", "--recipe", "EMPTY/none.toml"), "cannot be read as a recipe"),
        (("run", "RAW", "--again", "OTHER/mine.txt"), "--again takes its frames"),
        (("run", "--again", "OTHER/mine.txt"), "not the record of a run"),
        (("run", "--again", "EMPTY/provenance.json"), "no such file"),
        (("run", "RAW", "--out", "OUT", "--memory", "4"), "write it with its unit, as 4GB or 500MB"),
        (("run", "RAW", "--out", "OUT", "--memory", "much"), "not an amount of memory"),
        (("run", "RAW", "--out", "OUT", "--memory", "-1GB"), "not an amount of memory"),
        (("run", "RAW", "--out", "OUT", "--memory", "100MB"), "run.memory_gb = 0.1: must be at least 0.5"),
        (("run", "RAW", "--out", "OUT", "--set", "read.filter=Halpha"), "no light has filter 'Halpha'"),
    ],
)
def test_words_that_cannot_make_a_run(
    command: Any, raw: Path, tmp_path: Path, untouched: Any, words: tuple[str, ...], expected: str
) -> None:
    for name in ("empty", "other", "links"):
        (tmp_path / name).mkdir()
    (tmp_path / "other" / "mine.txt").write_text("keep me")
    (tmp_path / "links" / "night").symlink_to(raw)
    (tmp_path / "link").symlink_to(raw)
    places = {
        "RAW": raw, "TOP": tmp_path, "OUT": tmp_path / "out", "EMPTY": tmp_path / "empty",
        "OTHER": tmp_path / "other", "LINKS": tmp_path / "links", "LINK": tmp_path / "link",
    }  # fmt: skip
    said = [re.sub(r"^[A-Z]+(?=/|$)", lambda found: str(places[found[0]]), word) for word in words]
    with untouched(raw), untouched(tmp_path / "other"):
        done = command(*said)
    assert done.code == 2
    assert expected in done.line
    assert not (tmp_path / "out").exists(), "a refused run leaves nothing behind"


def test_a_refused_run_keeps_a_folder_that_was_there(command: Any, raw: Path, tmp_path: Path) -> None:
    """An empty one stays, empty; folders above OUT that were made for it go; results of an earlier run stay."""
    there = tmp_path / "there"
    there.mkdir()
    refused = ("--set", "read.filter=Halpha")
    assert command("run", raw, "--out", there, *refused).code == 2
    assert list(there.iterdir()) == []
    assert command("run", raw, "--out", tmp_path / "a" / "b" / "c", *refused).code == 2
    assert not (tmp_path / "a").exists()
    assert command("run", raw, "--out", there, *PLAINLY).code == 0
    before = sorted(there.rglob("*"))
    assert command("run", raw, "--out", there, *refused).code == 2
    assert sorted(there.rglob("*")) == sorted([*before, *(there / "work" / n for n in ("decoded", "layers"))])


def test_a_reference_that_is_no_light_is_named(command: Any, raw: Path, tmp_path: Path) -> None:
    done = command("run", raw, "--out", tmp_path / "out", "--set", "registration.reference=best.fits")
    assert done.code == 2
    assert "registration.reference = 'best.fits'" in done.line


def test_names_as_people_have_them(
    command: Any, small_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, untouched: Any
) -> None:
    """Blanks, other scripts, brackets, capital endings, relative paths, links, and the same frame named twice."""
    one = tmp_path / "Nächte 月光" / "[1] 50% über.d"
    two = tmp_path / "second"
    one.mkdir(parents=True)
    two.mkdir()
    names = ["α 'light' 1.FITS", "b#2.fit", "c&3.Fts", "-d 4.fits"]
    for number, name in enumerate(names, start=1):
        shutil.copy(small_night / f"light_000{number}.fits", (one if number < 3 else two) / name)
    (tmp_path / "again").symlink_to(one)
    (two / "loop").symlink_to(two)
    monkeypatch.chdir(tmp_path)
    words = ["Nächte 月光", "second", "second/c&3.Fts", "./again", one, one / names[0]]
    with untouched(one), untouched(two):
        done = command("run", *words, "--out", "résultats ✓/out", *PLAINLY)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "résultats ✓" / "out" / "summary.json").read_text(encoding="utf-8"))
    assert sorted(frame["file"] for frame in summary["frames"]) == sorted(names)
    assert summary["set_aside"] == []
    page = (tmp_path / "résultats ✓" / "out" / "report.html").read_text(encoding="utf-8")
    assert "α &#39;light&#39; 1.FITS" in page or "α 'light' 1.FITS" in page


def test_memory_that_lights_need_is_said_before_anything_is_done(
    command: Any, raw: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if each of the lights took 100 MB through the run."""
    monkeypatch.setattr(memory, "LIGHT_BYTES", 1e8)
    done = command("run", raw, "--out", tmp_path / "out", "--memory", "500MB")
    assert done.code == 2
    assert "run.memory_gb = 0.5: 4 lights of 240 x 180 px need at least 0.9" in done.line
    assert not (tmp_path / "out").exists()
    assert command("run", raw, "--out", tmp_path / "out", "--memory", "900MB", *PLAINLY).code == 0
    again = ("run", "--again", tmp_path / "out" / "provenance.json", "--out", tmp_path / "again")
    assert "run.memory_gb = 0.5" in command(*again, "--memory", "0.5GB").line
    assert command(*again, "--memory", "4GB").code == 0
    recorded = [json.loads((tmp_path / name / "provenance.json").read_text()) for name in ("out", "again")]
    assert [record["recipe"]["run"]["memory_gb"] for record in recorded] == [0.9, 4.0]
    assert (tmp_path / "again" / "stack.fits").read_bytes() == (tmp_path / "out" / "stack.fits").read_bytes()
