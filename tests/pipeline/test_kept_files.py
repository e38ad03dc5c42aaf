"""What is kept of the lights of a stack comes back from its files, whichever numpy wrote them."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest

from fields import frame_table
from fourlight.frames import NoiseModel
from fourlight.pipeline.kept import ARRAYS, Kept
from fourlight.stages.calibration import Calibration
from fourlight.stages.mosaic import MosaicDecision
from fourlight.stages.way import Way

LIGHTS = (Path("a.fits"), Path("b.fits"))


def kept() -> Kept:
    noise = NoiseModel(1.0, "header", 2.0, "header", 500.0, "bias")
    calibration = Calibration(noise, (), (), {}, (), {}, {}, {}, lambda frame: pytest.fail(str(frame)))
    mosaic = MosaicDecision("RGGB", "BAYERPAT", "RGGB", None, "")
    shift = np.array([[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]], [[1.0, 0.0, 2.5], [0.0, 1.0, -1.5]]])
    table = frame_table(shift, (60, 80), noise=np.full(4, 10.0), level=200.0)
    way = Way("drizzle", "", 0.8, "")
    return Kept("k", "i", LIGHTS, {}, LIGHTS[0], (("", LIGHTS, mosaic),), calibration, way, (), table, False)


def savez_of_numpy_1(stream: BinaryIO, **arrays: Any) -> None:
    """`numpy.savez` as it was up to 2.1: every keyword is an array, ``allow_pickle`` too (from memory)."""
    with zipfile.ZipFile(stream, "w") as archive:
        for name, value in arrays.items():
            with archive.open(f"{name}.npy", "w") as part:
                np.lib.format.write_array(part, np.asanyarray(value))


def check(folder: Path) -> None:
    found = Kept.load(folder, folder, lambda frame: pytest.fail(str(frame)))
    assert found is not None
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(found.table, name), getattr(kept().table, name), err_msg=name)
    assert (found.lights, found.way, found.table.shape) == (LIGHTS, kept().way, (60, 80))


def test_an_older_numpy_keeps_the_table_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(np, "savez", savez_of_numpy_1)
    kept().save(tmp_path)
    with np.load(tmp_path / "table.npz") as data:
        assert sorted(data.files) == sorted(ARRAYS)
    check(tmp_path)


def test_an_array_of_another_name_does_no_harm(tmp_path: Path) -> None:
    kept().save(tmp_path)
    with np.load(tmp_path / "table.npz") as data, (tmp_path / "new.npz").open("wb") as stream:
        savez_of_numpy_1(stream, allow_pickle=False, **data)
    (tmp_path / "new.npz").replace(tmp_path / "table.npz")
    check(tmp_path)
