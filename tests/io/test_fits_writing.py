"""FITS images that are written: against the standard's checksums, and read back by astropy."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits as reference

from fits_images import DTYPES, units_of, values_of
from fourlight.errors import OutputError
from fourlight.io import fits_writing


def ones_complement(content: bytes) -> int:
    """Sum of 32-bit words with the carry added back (FITS Standard 4.0 appendix J)."""
    total = int(np.frombuffer(content, ">u4").astype(np.uint64).sum())
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def encoded(total: int) -> str:
    """ASCII form of the complement of a sum (FITS Standard 4.0 appendix J), written from the text."""
    value = 0xFFFFFFFF - total
    columns = []
    for shift in (24, 16, 8, 0):
        byte = value >> shift & 0xFF
        parts = [byte // 4 + 0x30 + (byte % 4 if n == 0 else 0) for n in range(4)]
        while any(chr(part) in ":;<=>?@[\\]^_`" for part in parts):
            for first in (0, 2):
                if any(chr(part) in ":;<=>?@[\\]^_`" for part in parts[first : first + 2]):
                    parts[first] += 1
                    parts[first + 1] -= 1
        columns.append(parts)
    text = "".join(chr(columns[column][row]) for row in range(4) for column in range(4))
    return text[-1] + text[:-1]


def test_written_planes_pass_the_checksums_of_the_standard(tmp_path: Path) -> None:
    """Every complete unit sums to 0xFFFFFFFF; an empty primary has DATASUM '0' (FITS Standard 4.0 4.4.2.7)."""
    assert encoded(868229149) == "hcHjjc9ghcEghc9g"  # worked example: Seaman, Pence & Rots; appendix J
    rng = np.random.default_rng(3)
    image = rng.normal(size=(33, 47)).astype(np.float32)
    made: list[str] = []

    def planes():
        for name in ("R", "VAR_R"):
            made.append(name)
            yield name, image if name == "R" else image**2, {"BUNIT": ("electron", "unit of the samples")}
        yield "COUNT", np.arange(1551, dtype=np.uint16).reshape(33, 47), {}

    path = tmp_path / "stack.fits"
    fits_writing.write_planes(path, {"NOISCORR": (1.5, "pixel scatter over sqrt(VAR)")}, planes())
    assert made == ["R", "VAR_R"]
    assert [item.name for item in tmp_path.iterdir()] == ["stack.fits"]
    content = path.read_bytes()
    units = units_of(path)
    ends = [unit.data_start + -(-unit.data_bytes // 2880) * 2880 for unit in units]
    for unit, start, end in zip(units, [0, *ends], ends, strict=False):
        assert ones_complement(content[start:end]) == 0xFFFFFFFF
        assert int(str(unit.cards["DATASUM"].value)) == ones_complement(content[unit.data_start : end])
    assert units[0].cards["DATASUM"].value == "0"
    with warnings.catch_warnings(), reference.open(path, checksum=True) as read:
        warnings.simplefilter("error")
        read.verify("exception")
        assert [unit.name for unit in read] == ["PRIMARY", "R", "VAR_R", "COUNT"]
        assert read[0].header["NOISCORR"] == 1.5
        assert read["R"].header["BUNIT"] == "electron"
        np.testing.assert_array_equal(read["R"].data, image)
        np.testing.assert_array_equal(read["COUNT"].data, np.arange(1551).reshape(33, 47))


@pytest.mark.parametrize("dtype", DTYPES)
def test_written_samples_of_every_type_are_read_by_astropy(tmp_path: Path, dtype: str) -> None:
    image = values_of(dtype)
    fits_writing.write_planes(tmp_path / "a.fits", {}, [("R", image, {}), ("B", image[::2, 3:-4], {})])
    with warnings.catch_warnings(), reference.open(tmp_path / "a.fits", checksum=True) as read:
        warnings.simplefilter("error")
        read.verify("exception")
        np.testing.assert_array_equal(read["R"].data, image)
        np.testing.assert_array_equal(read["B"].data, image[::2, 3:-4])


def test_written_cards_are_read_by_astropy(tmp_path: Path) -> None:
    values = {
        "YES": True, "WHOLE": -12, "TINY": 1.25e-17, "SHARE": np.float64(1 / 3), "HUGE": 6.02e23, "NAME": "",
        "QUOTES": "it's o'clock", "LONG": "x'" * 90, "MIDDLE": "m" * 68, "WORDS": "a name of two words",
    }  # fmt: skip
    header = {name: (value, "what it is for") for name, value in values.items()}
    fits_writing.write_planes(tmp_path / "a.fits", header, [])
    with warnings.catch_warnings(), reference.open(tmp_path / "a.fits", checksum=True) as read:
        warnings.simplefilter("error")
        read.verify("exception")
        assert {name: read[0].header[name] for name in values} == values
        assert read[0].header.comments["SHARE"] == "what it is for"
    with pytest.raises(ValueError, match="not finite"):
        fits_writing.write_planes(tmp_path / "b.fits", {"BAD": (float("nan"), "")}, [])


def test_nothing_is_left_where_writing_fails(tmp_path: Path) -> None:
    def planes():
        yield "R", np.zeros((32, 32), np.float32), {}
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fits_writing.write_planes(tmp_path / "stack.fits", {}, planes())
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OutputError, match="cannot be written"):
        fits_writing.write_planes(tmp_path / "missing" / "stack.fits", {}, [])
