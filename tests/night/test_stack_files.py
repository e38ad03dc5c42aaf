"""The files of a stack as others read them: extensions, units, checksums (FITS Standard 4.0, section 4.4.2.7)."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

PLANES = ("R", "G1", "G2", "B", "G")


@pytest.mark.parametrize("name", ["stack.fits", "halves.fits"])
def test_checksums_and_standard(nebula: Any, name: str) -> None:
    with warnings.catch_warnings(), fits.open(nebula.out / name, checksum=True) as hdus:
        warnings.simplefilter("error")  # a wrong sum is a warning of astropy
        hdus.verify("exception")
        for hdu in hdus:
            assert {"CHECKSUM", "DATASUM"} <= set(hdu.header)
            assert hdu.verify_datasum() == 1  # 1: present and right
        places = [hdus.fileinfo(k) for k in range(len(hdus))]
    content = (nebula.out / name).read_bytes()
    for place in places:
        unit = content[place["hdrLoc"] : place["datLoc"] + place["datSpan"]]
        total = int(np.frombuffer(unit, ">u4").sum(dtype=np.uint64))
        while total >> 32:
            total = (total & 0xFFFFFFFF) + (total >> 32)
        assert total == 0xFFFFFFFF  # minus zero in ones' complement: appendix J of the standard


def test_extensions_of_the_stack(nebula: Any) -> None:
    with fits.open(nebula.out / "stack.fits") as hdus:
        names = [hdu.name for hdu in hdus[1:]]
        kinds = [kind + p for kind in ("", "VAR_", "SAMPLES_") for p in PLANES]
        assert sorted(names) == sorted([*kinds, "REJECTED"])
        for plane in PLANES:
            value, variance, samples = (hdus[kind + plane] for kind in ("", "VAR_", "SAMPLES_"))
            assert [h.header["BUNIT"] for h in (value, variance, samples)] == [
                "electron",
                "electron2",
                "count",
            ]
            assert {h.data.shape for h in (value, variance, samples)} == {(320, 480)}
            assert {h.data.dtype.kind + str(h.data.dtype.itemsize) for h in (value, variance)} == {"f4"}
            assert 0.5 < value.header["NOISCORR"] == variance.header["NOISCORR"] < 1.0
            known = np.isfinite(value.data)
            assert known.mean() > 0.98
            assert (variance.data[known] > 0).all()
            assert (np.isfinite(variance.data) == known).all()
            assert (samples.data >= 0).all()
        middle = [float(np.median(hdus[f"SAMPLES_{plane}"].data[100:200, 150:300])) for plane in PLANES]
    # Eleven frames; a fourth of the samples is of each plane, and both greens together have half. Drops overlap,
    # so that more than its own share of samples bears on a pixel.
    assert middle[4] == pytest.approx(middle[1] + middle[2], rel=0.1)
    assert all(11 / 4 * 0.7 < value < 11 for value in middle[:4])


def test_primary_header(nebula: Any) -> None:
    header = fits.getheader(nebula.out / "stack.fits")
    assert header["NCOMBINE"] == 11
    assert header["EXPTOTAL"] == 11 * 240.0
    assert header["CFAPAT"] == "GRBG"
    assert header["DATE-OBS"] == "2031-08-14T23:30:00"
    assert header["EGAIN"] == pytest.approx(0.8, rel=0.02)


def test_weights_are_those_of_the_effective_frames(nebula: Any) -> None:
    """Effective number of frames (Kish 1965): square of the summed weights over the sum of their squares."""
    for plane in ("R", "G1", "G2", "B"):
        weight = np.array([frame["weight"][plane] for frame in nebula.summary["frames"]])
        kish = weight.sum() ** 2 / (weight**2).sum()
        assert nebula.summary["integration"]["effective_frames"][plane] == pytest.approx(kish)
        assert kish < len(weight)
