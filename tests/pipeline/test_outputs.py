"""Files of a run as astropy, json and csv read them."""

import csv
import json
import runpy
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.engine import Crew, Silent
from fourlight.pipeline import outputs
from fourlight.pipeline.layers import integrate_tiles
from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import OUTPUT_PLANES

invented = runpy.run_path(str(Path(__file__).with_name("test_layers.py")))
SHAPE = invented["SHAPE"]

FOUR = {"R": 1.0, "G1": 2.5, "G2": float("nan"), "B": None}
SUMMARY = {
    "unit": "electron",
    "object": "Invented nebula",
    "frames": [
        {"file": 'a,"b".fits', "time": "2030-01-02T03:04:05.678+00:00", "exposure_s": 60.0, "stars": 12, "sky": FOUR,
         "flags": ["cloud", "no date"]},
        {"file": "c.fits", "time": None, "exposure_s": None, "flags": []},
    ],
    "set_aside": [{"file": "bad.fits", "stage": "read", "reason": "truncated: 3 bytes, more needed"}],
    "integration": {"method": "drizzle", "total_exposure_s": 120.0, "pixfrac": 0.8},
    "grid": {"reference": "c.fits"},
    "mosaic": {"pattern": "GBRG"},
    "noise": {"gain_e_per_adu": 0.77, "read_noise_e": 1.5},
}  # fmt: skip


@pytest.fixture(scope="module")
def layers(tmp_path_factory):
    tiles = [Tile(0, SHAPE[0], 0, SHAPE[1])]
    return integrate_tiles(
        invented["Work"](), tiles, SHAPE, tmp_path_factory.mktemp("l"), "k", Crew(1), Silent()
    )


def test_stack_as_astropy_reads_it(tmp_path, layers):
    path = tmp_path / "stack.fits"
    outputs.write_stack(path, layers, SUMMARY)
    # CHECKSUM and DATASUM of every HDU are verified (FITS 4.0 sec. 4.4.2.7); warnings are errors
    with fits.open(path, checksum=True) as found:
        found.verify("exception")
        planes = [hdu.name for hdu in found[1:]]
        kinds = ("", "VAR_", "SAMPLES_")
        assert planes == [*(f"{kind}{p}" for p in ("R", "G1", "G2", "B", "G") for kind in kinds), "REJECTED"]
        np.testing.assert_array_equal(found["REJECTED"].data, layers.rejected_map())
        for p in OUTPUT_PLANES:
            for kind, layer in (("", "value"), ("VAR_", "variance"), ("SAMPLES_", "samples")):
                np.testing.assert_array_equal(found[f"{kind}{p}"].data, invented["expected"](p, layer))
        assert found["R"].header["BUNIT"] == "electron"
        assert found["VAR_R"].header["BUNIT"] == "electron2"
        assert found["R"].header["NOISCORR"] == pytest.approx(0.5)
        head = found[0].header
        assert (head["NCOMBINE"], head["EXPTOTAL"], head["CFAPAT"]) == (2, 120.0, "GBRG")
        assert head["DATE-OBS"] == "2030-01-02T03:04:05"
        assert (head["EGAIN"], head["RDNOISE"], head["OBJECT"]) == (0.77, 1.5, "Invented nebula")
        assert "CHECKSUM" in head
        assert "DATASUM" in head


@pytest.mark.parametrize(
    "name", ["c.fits", "a" * 29, "a" * 30, "a" * 31, "'" * 40, "b/" * 80 + "c", "\u03b1\n\u2603"]
)
def test_texts_of_any_length_and_alphabet_fit_the_header(tmp_path, layers, name):
    """Warnings are errors here: no card may be too long (FITS 4.0 sec. 4.2.1.2 for long strings)."""
    path = tmp_path / "stack.fits"
    outputs.write_stack(path, layers, SUMMARY | {"grid": {"reference": name}, "object": name})
    head = fits.getheader(path)
    assert (
        head["REFFRAME"].encode().decode("unicode_escape")
        == head["OBJECT"].encode().decode("unicode_escape")
        == name
    )


def test_halves_as_astropy_reads_them(tmp_path, layers):
    path = tmp_path / "halves.fits"
    outputs.write_halves(path, layers, SUMMARY | {"unit": "adu"})
    with fits.open(path, checksum=True) as found:
        assert len(found) == 1 + 2 * 5 * 2
        for p in OUTPUT_PLANES:
            for kind, layer in (("", "value"), ("VAR_", "variance")):
                for half in "ab":
                    told = found[f"{kind}{p}_{half.upper()}"].data
                    np.testing.assert_array_equal(told, invented["expected"](p, f"{layer}_{half}"))
        assert found["R_A"].header["BUNIT"] == "adu"


def test_json_is_standard_whatever_the_values(tmp_path):
    path = tmp_path / "x.json"
    odd = {
        "nan": float("nan"), "inf": np.inf, "array": np.array([1.5, np.nan]), "int": np.int64(3),
        "bool": np.bool_(True),
        "path": Path("a/b"), 4: (1, 2), "text": "\u00e9\u2603", "deep": {"x": [np.float32(0.5)]},
    }  # fmt: skip
    outputs.write_json(path, odd)

    def refused(name):
        raise AssertionError(name)

    back = json.loads(path.read_text(encoding="utf-8"), parse_constant=refused)
    assert back == {
        "nan": None, "inf": None, "array": [1.5, None], "int": 3, "bool": True, "path": "a/b", "4": [1, 2],
        "text": "\u00e9\u2603", "deep": {"x": [0.5]},
    }  # fmt: skip
    assert [p.name for p in tmp_path.iterdir()] == ["x.json"]


def test_csv_has_a_row_for_every_light(tmp_path):
    path = tmp_path / "frames.csv"
    outputs.write_csv(path, SUMMARY)
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream, strict=True))
    assert [row["file"] for row in rows] == ['a,"b".fits', "c.fits", "bad.fits"]
    assert [row["status"] for row in rows] == ["used", "used", "set aside (read)"]
    assert rows[2]["reason"] == "truncated: 3 bytes, more needed"
    assert (rows[0]["sky_R"], rows[0]["sky_G1"], rows[0]["sky_G2"], rows[0]["sky_B"]) == ("1", "2.5", "", "")
    assert rows[0]["flags"] == "cloud no date"
    assert None not in rows[0]
