"""What files are called: never two alike, and `registration.reference` by the same names."""

from __future__ import annotations

import csv
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from fourlight.pipeline.names import quoted, short_names
from plain_runs import PLAINLY

PARTS = st.sampled_from(["a", "b", "night1", "1.fits"])
PATHS = st.lists(st.lists(PARTS, min_size=1, max_size=5).map(lambda parts: Path("/", *parts)), max_size=12)


@given(PATHS)
def test_no_two_are_called_alike_and_no_name_could_be_shorter(paths: list[Path]) -> None:
    names = short_names(paths)
    assert names.keys() == set(paths)
    assert len(set(names.values())) == len(names)
    for path, name in names.items():
        assert path.as_posix().endswith(name)
        shorter = name.split("/", 1)[1] if "/" in name.strip("/") else ""
        others = [other for other in names if other != path]
        assert not shorter or any(
            f"/{shorter}" in f"/{other.as_posix()}"[-len(shorter) - 1 :] for other in others
        )


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("light_1.fits", "light_1.fits"),
        ("a,b.fits", "'a,b.fits'"),
        ("a;b.fits", "'a;b.fits'"),
        ("21:30.fits", "'21:30.fits'"),
        ("it's.fits", "it's.fits"),
        ("it's,b.fits", '"it\'s,b.fits"'),
        ('it\'s "x" y.fits', '"it\'s \\"x\\" y.fits"'),
    ],
)
def test_where_a_name_ends_is_always_seen(name: str, shown: str) -> None:
    assert quoted(name) == shown


@pytest.fixture
def nights(raw: Path, tmp_path: Path) -> Path:
    """Two nights whose files are called alike."""
    for number, (night, name) in enumerate([(n, f) for n in (1, 2) for f in (1, 2)], start=1):
        place = tmp_path / "nights" / f"night{night}" / f"light_{name:03}.fits"
        place.parent.mkdir(parents=True, exist_ok=True)
        (raw / f"light_000{number}.fits").rename(place)
    return tmp_path / "nights"


def test_two_nights_with_the_same_file_names(command: Any, nights: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (nights / "night2" / "light_003.fits").write_text("no frame")
    done = command(
        "run", nights, "--out", out, *PLAINLY, "--set", "registration.reference=night2/light_001.fits"
    )
    assert done.code == 0, done.err
    assert "registered to night2/light_001.fits" in done.err
    summary = json.loads((out / "summary.json").read_text())
    expected = {
        f"night{n}/light_00{f}.fits": nights / f"night{n}" / f"light_00{f}.fits"
        for n in (1, 2)
        for f in (1, 2)
    }
    assert {frame["file"]: Path(frame["path"]) for frame in summary["frames"]} == expected
    assert [item["file"] for item in summary["set_aside"]] == ["light_003.fits"]
    with (out / "frames.csv").open(newline="", encoding="utf-8") as file:
        rows = {row["file"]: Path(row["path"]) for row in csv.DictReader(file)}
    assert rows == {**expected, "light_003.fits": nights / "night2" / "light_003.fits"}
    assert summary["grid"]["reference"] == "night2/light_001.fits"
    for name in ("stack.fits", "halves.fits"):
        assert fits.getheader(out / name)["REFFRAME"] == "night2/light_001.fits"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "light_001.fits",
            "2 lights are called so; name one of them, such as night1/light_001.fits, night2/light_001.fits",
        ),
        ("ight1/light_001.fits", "no light is called so"),
        ("light_009.fits", "it is set aside (a copy of night1/light_002.fits; each exposure counts once)"),
        ("/", "no light is called so"),
    ],
)
def test_a_reference_that_is_not_one_light_is_refused_at_once(
    command: Any, nights: Path, tmp_path: Path, name: str, expected: str
) -> None:
    content = (nights / "night1" / "light_002.fits").read_bytes()
    (nights / "night2" / "light_009.fits").write_bytes(content)
    done = command("run", nights, "--out", tmp_path / "out", "--set", f"registration.reference={name}")
    assert done.code == 2
    assert expected in done.line
    assert "measure" not in done.err, "said before anything long is done"
    assert not (tmp_path / "out").exists()


# Other systems refuse to make such a file, so there is nothing that could be met there.
@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text exist on Linux alone")
def test_a_reference_with_a_name_that_no_header_can_hold(command: Any, raw: Path, tmp_path: Path) -> None:
    """FITS 4.0 sec. 4.2.1.1 allows ASCII 32 to 126 only; POSIX names are bytes, here of Latin-1."""
    place = tmp_path / ("\udcfcber " + "x" * 80)
    place.mkdir()
    for path in raw.iterdir():
        path.rename(place / f"α{path.name}")
    other = tmp_path / "other"
    other.mkdir()
    os.link(place / "αlight_0001.fits", other / "αlight_0002.fits")
    (place / "αlight_0001.fits").unlink()
    out = tmp_path / "out"
    name = f"registration.reference={place.name}/αlight_0002.fits"
    done = command("run", place, other, "--out", out, *PLAINLY, "--set", name)
    assert done.code == 0, done.err
    said = json.loads((out / "summary.json").read_text(encoding="utf-8"))["grid"]["reference"]
    assert said == f"{place.name}/αlight_0002.fits", "reads back as the name it was"
    card = fits.getheader(out / "stack.fits")["REFFRAME"]
    assert card.encode().decode("unicode_escape") == said
    again = command("run", "--again", out / "provenance.json", "--out", tmp_path / "again")
    assert again.code == 0, again.err
