"""The inspect command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from astropy.io import fits
from typer.testing import CliRunner

from fourlight.cli.inspect import inspect
from fourlight.errors import InputError

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"

app = typer.Typer()
app.command()(inspect)


def run(*words: str | Path, fails: bool = False) -> str:
    result = CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "140"})
    assert isinstance(result.exception, InputError) is fails, result.exception
    return result.stdout


def put(path: Path, **cards: Any) -> None:
    image = np.random.default_rng(8).integers(900, 1100, (64, 96)).astype(np.uint16)
    unit = fits.PrimaryHDU(image)
    unit.header.update({name.replace("_", "-"): value for name, value in cards.items()})
    path.parent.mkdir(parents=True, exist_ok=True)
    unit.writeto(path)


@pytest.fixture
def nights(tmp_path: Path) -> Path:
    common: dict[str, Any] = {"BAYERPAT": "RGGB", "GAIN": 100, "SITELONG": 10.0, "SITELAT": 47.0}
    for n in range(3):
        name = tmp_path / "n1" / f"l{n}.fits"
        put(
            name,
            IMAGETYP="Light",
            EXPTIME=180.0,
            CCD_TEMP=-10.0 - n,
            DATE_OBS=f"2031-03-04T2{n}:00:00",
            **common,
        )
        put(
            tmp_path / "n1" / f"d{n}.fits",
            IMAGETYP="Dark",
            EXPTIME=180.0,
            CCD_TEMP=-20.0 + 10 * (n > 1),
            **common,
        )
    (tmp_path / "n1" / "broken.fits").write_bytes(b"no frame" * 100)
    return tmp_path


def test_table_groups_and_set_aside(nights: Path) -> None:
    text = run(nights)
    lines = [" ".join(line.split()) for line in text.splitlines()]
    assert "2031-03-04 light header 180 s 100 -12 to -10 C RGGB 96 x 64 3" in lines
    assert "- dark header 180 s 100 -20 C RGGB 96 x 64 2" in lines
    assert "- dark header 180 s 100 -10 C RGGB 96 x 64 1" in lines
    assert "3 lights, 3 darks; 1 night with lights" in lines
    assert any(
        line.startswith("set aside:") and "broken.fits" in line and "not a FITS file" in line
        for line in lines
    )
    assert any(line.startswith("to know: d0.fits, d1.fits, d2.fits: has no date") for line in lines)


def test_json_holds_every_frame(nights: Path) -> None:
    document = json.loads(run(nights, "--json"))
    assert len(document["frames"]) == 6
    light = next(frame for frame in document["frames"] if frame["path"].endswith("l0.fits"))
    assert light["role"] == "light"
    assert light["time"] == "2031-03-04T20:00:00+00:00"
    assert light["gain_setting"] == 100
    assert [item["reason"].split(" (")[0] for item in document["set_aside"]] == ["not a FITS file"]


def test_the_contradiction_of_the_real_pair_is_shown() -> None:
    assert "GBRG (pixels); FILTER says RGGB" in run(REAL)
    document = json.loads(run(REAL, "--json"))
    (mosaic,) = document["mosaics"].values()
    assert (mosaic["pattern"], mosaic["stated"]) == ("GBRG", "RGGB")


def test_nothing_found_is_one_line(tmp_path: Path) -> None:
    run(tmp_path, fails=True)
    (tmp_path / "a.fits").write_bytes(b"")
    assert "zero bytes" in run(tmp_path, fails=True)
    assert InputError.exit_code == 2
