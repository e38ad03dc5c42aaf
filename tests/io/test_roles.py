"""Roles from headers, names and pixels. The words are common practice, no source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.frames import Role
from fourlight.io.cards import Card
from fourlight.io.roles import from_cards, from_path, from_pixels, is_master


@pytest.mark.parametrize(
    ("value", "role"),
    [
        ("Light Frame", Role.LIGHT), ("LIGHT", Role.LIGHT), ("light", Role.LIGHT), ("object", Role.LIGHT),
        ("science", Role.LIGHT), ("Dark Frame", Role.DARK), ("DARK", Role.DARK), ("Master Dark", Role.DARK),
        ("Flat Field", Role.FLAT), ("FLAT", Role.FLAT), ("sky flat", Role.FLAT), ("Bias Frame", Role.BIAS),
        ("zero", Role.BIAS), ("OFFSET", Role.BIAS), ("DARKFLAT", Role.DARKFLAT), ("Flat Dark", Role.DARKFLAT),
        ("dark flat frame", Role.DARKFLAT), ("DarkFlat", Role.DARKFLAT), ("1", None), ("focus", None), ("", None),
    ],
)  # fmt: skip
@pytest.mark.parametrize("name", ["IMAGETYP", "FRAME", "OBSTYPE"])
def test_from_header(name: str, value: str, role: Role | None) -> None:
    assert from_cards({name: Card(value, "")}) is role


def test_a_card_that_says_nothing_is_passed_over() -> None:
    assert from_cards({"IMAGETYP": Card("7", ""), "FRAME": Card("Dark", "")}) is Role.DARK
    assert is_master({"IMAGETYP": Card("Master Flat", "")})
    assert not is_master({"IMAGETYP": Card("Flat", "")})


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("n1/lights/a_001.fits", (Role.LIGHT, "folder")),
        ("n1/Darks 300s/a_001.fits", (Role.DARK, "folder")),
        ("n1/flats/night2/a.fits", (Role.FLAT, "folder")),
        ("n1/flats/darks/a.fits", (Role.DARK, "folder")),
        ("n1/darkflats/a.fits", (Role.DARKFLAT, "folder")),
        ("n1/flat darks/a.fits", (Role.DARKFLAT, "folder")),
        ("n1/offset/a.fits", (Role.BIAS, "folder")),
        ("n1/x/BIAS_0003.fits", (Role.BIAS, "file name")),
        ("n1/flats/dark_003.fits", (Role.DARK, "file name")),
        ("n1/lights/dark_nebula_001.fits", (Role.LIGHT, "folder")),
        ("n1/dark_nebula/light_001.fits", (Role.LIGHT, "file name")),
        ("n1/x/highlights_flattened.fits", None),
        ("n1/x/a.fits", None),
        ("n1/x/nebula_300s_gain100_offset50_0001.fits", None),
        ("n1/x/nebula_gain_100_offset_50_0001.fits", None),
        ("n1/x/300s_g100_Offset10_0001.fits", None),
        ("n1/gain100_offset50/a.fits", None),
        ("n1/x/dark_300s_gain100_offset50_0001.fits", (Role.DARK, "file name")),
        ("n1/x/offset_0001.fits", (Role.BIAS, "file name")),
        ("n1/x/offset12.fits", (Role.BIAS, "file name")),
        ("n1/x/night2_zero001.fits", (Role.BIAS, "file name")),
        ("n1/x/offset_gain100_0001.fits", (Role.BIAS, "file name")),
        ("n1/x/cam_-10.0C_dark_001.fits", (Role.DARK, "file name")),
        ("n1/x/flat_0.5s.FIT.gz", (Role.FLAT, "file name")),
        ("n1/x/bias.-10.5.CR2", (Role.BIAS, "file name")),
    ],
)
def test_from_path(path: str, expected: tuple[Role, str] | None) -> None:
    assert from_path(Path(path), Path("n1")) == expected


def test_folders_above_the_named_one_say_nothing() -> None:
    assert from_path(Path("darks/n1/a.fits"), Path("darks/n1")) is None
    assert from_path(Path("n1/darks/a.fits"), Path("n1/darks")) == (Role.DARK, "folder")


def bands(level: np.ndarray, noise: float, seed: int = 5) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [
        (np.tile(level, (32, 150)) + rng.normal(0, noise, (64, 300))).astype(np.float32) for _ in range(3)
    ]


def test_from_pixels() -> None:
    even = np.full((2, 2), 500.0)
    sky = np.array([[900.0, 800.0], [800.0, 700.0]])
    stars = bands(sky, 10.0)
    y, x = np.mgrid[0:64, 0:300]
    for band in stars:
        for place in range(12):
            band += 4000 * np.exp(-((y - 30 - place) ** 2 + (x - 20 - 22 * place) ** 2) / 4.5)
    defects = bands(even, 8.0)
    for band in defects:
        band[::7, ::11] += 3000
    assert from_pixels(stars, 60.0, 65535.0) is Role.LIGHT
    assert from_pixels(bands(sky, 10.0), 60.0, 65535.0) is Role.LIGHT
    assert from_pixels(bands(even, 8.0), 60.0, 65535.0) is Role.DARK
    assert from_pixels(defects, 60.0, 65535.0) is Role.DARK
    assert from_pixels(bands(even, 8.0), 0.001, 65535.0) is Role.BIAS
    assert from_pixels(bands(sky * 30, 150.0), 1.0, 65535.0) is Role.FLAT
