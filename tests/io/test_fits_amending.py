"""Coordinates put into headers: read back by astropy, samples the same to the bit, sums those of the standard."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from astropy.io import fits

from fits_images import units_of
from fourlight.errors import OutputError
from fourlight.io.fits_amending import amend
from fourlight.io.fits_writing import write_planes

CARDS = {
    "CTYPE1": ("RA---TAN-SIP", "tangent plane"),
    "CRVAL1": (303.2058, "[deg]"),
    "CD1_1": (-2.5e-5, "[deg] per pixel"),
    "A_ORDER": (3, "order"),
    "A_2_0": (1.5e-7, ""),
}


@pytest.fixture
def planes(tmp_path):
    path = tmp_path / "stack.fits"
    images = {"R": np.arange(1200, dtype=np.float32).reshape(30, 40), "COUNT": np.ones((30, 41), np.uint16)}
    images["R"][3, 4] = np.nan
    write_planes(
        path,
        {"CREATOR": ("invented", "")},
        ((name, image, {"BUNIT": "electron"}) for name, image in images.items()),
    )
    return path


def data_of(path):
    content = path.read_bytes()
    return [content[unit.data_start : unit.data_start + unit.data_bytes] for unit in units_of(path)]


def test_every_image_gets_the_cards_and_nothing_else_changes(planes, tmp_path):
    new = tmp_path / "new.fits"
    amend(planes, new, CARDS)
    assert data_of(new) == data_of(planes)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # astropy warns of wrong sums
        with fits.open(new, checksum=True) as found, fits.open(planes) as before:
            assert len(found) == 3
            assert list(found[0].header) == list(before[0].header)
            for unit, old in zip(found[1:], before[1:], strict=True):
                assert {name: unit.header[name] for name in CARDS} == {k: v[0] for k, v in CARDS.items()}
                assert [name for name in unit.header if name not in CARDS] == list(old.header)
                assert unit.header["DATASUM"] == old.header["DATASUM"]
                assert unit.verify_checksum() == 1


def test_another_solution_takes_the_place_of_the_first(planes, tmp_path):
    once, twice, plain = (tmp_path / name for name in ("once.fits", "twice.fits", "plain.fits"))
    amend(planes, once, CARDS)
    amend(once, twice, {"CRVAL1": (10.0, "")})
    header = fits.getheader(twice, 1)
    assert header["CRVAL1"] == 10.0
    assert not {"A_2_0", "A_ORDER", "CD1_1", "CTYPE1"} & set(header)
    amend(twice, plain, {})
    assert plain.read_bytes() == planes.read_bytes(), "taken out again, nothing is left"


def test_white_of_an_earlier_solution_goes_from_the_first_unit(planes, tmp_path):
    """As zero points go from the planes, where the stars of a second solution tell no colours."""
    once, twice = tmp_path / "once.fits", tmp_path / "twice.fits"
    white = {"WHITE_BV": (0.65, ""), "WHITE_R": (1.2, "")}
    amend(planes, once, CARDS, {"": white, "R": {"MAGZERO": (21.0, "")}})
    assert fits.getheader(once)["WHITE_R"] == 1.2
    amend(once, twice, {}, {})
    assert twice.read_bytes() == planes.read_bytes()


def test_a_header_may_grow_by_a_block(planes, tmp_path):
    new = tmp_path / "new.fits"
    amend(planes, new, {f"AP_{p}_{q}": (1e-7 * p, "") for p in range(9) for q in range(9)})
    with fits.open(new, checksum=True) as found:
        assert found[1].header["AP_8_8"] == pytest.approx(8e-7)
        assert found["COUNT"].data.sum() == 30 * 41
    assert new.stat().st_size > planes.stat().st_size


def test_a_file_that_is_cut_leaves_nothing(planes, tmp_path):
    cut = tmp_path / "cut.fits"
    cut.write_bytes(planes.read_bytes()[:-4000])
    with pytest.raises(ValueError, match="ends before"):
        amend(cut, tmp_path / "new.fits", CARDS)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cut.fits", "stack.fits"]
    with pytest.raises(OutputError):
        amend(planes, tmp_path / "nowhere" / "new.fits", CARDS)
