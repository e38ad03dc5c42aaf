"""Frames of which a transfer lost rows, told from what sensors and software do to rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.errors import FrameError
from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.stages.blank import with_blank_rows

NY, NX = 200, 120


def sensor(level: float = 500, sigma: float = 9) -> np.ndarray:
    values = np.random.default_rng(11).normal(level, sigma, (NY, NX))
    return np.clip(np.rint(values), 0, 65535).astype(np.float32)


def noted(image: np.ndarray, role: Role = Role.LIGHT) -> RawFrame:
    frame = RawFrame(Path("a.fits"), 0, *image.shape, role, "header")
    return with_blank_rows(frame, HeldPixels(image))


@pytest.mark.parametrize("value", [0, 500, 65535])
def test_a_light_cut_in_its_second_half_keeps_the_first(value: float) -> None:
    image = sensor()
    image[131:] = value
    image[130, 70:] = value  # the row in which it stopped
    frame = noted(image)
    assert frame.blank_rows == ((130, 200),)
    said = f"rows 130-199 of 200 hold one value only ({value:g}), as where a transfer was cut"
    assert frame.problems == (f"{said}; they are left out, the other rows count",)


def test_undefined_samples_are_told_where_they_are_many() -> None:
    image = sensor()
    image[40:80, 30:60] = np.nan  # 1200 of 24,000
    (said,) = noted(image).problems
    share = float(
        said.removeprefix("about ").partition(" % of its samples are undefined (NaN); they are left out")[0]
    )
    assert abs(share - 5) < 0.5, "from one row in eight"
    image = sensor()
    image[64, 10:12] = np.nan  # two defective samples, in a row that is looked at
    assert noted(image).problems == ()


@pytest.mark.parametrize(
    ("role", "rows", "said"),
    [
        (Role.LIGHT, 200, "100 %"),
        (Role.LIGHT, 112, "56 %"),
        (Role.DARK, 200, "100 %"),
        (Role.FLAT, 16, "8.0 %"),
    ],
)
def test_a_frame_of_which_too_much_is_undefined_is_not_used(role: Role, rows: int, said: str) -> None:
    image = sensor()
    image[:rows] = np.nan
    with pytest.raises(FrameError, match=rf"about {said} of its samples are undefined \(NaN\): too little"):
        noted(image, role)


@pytest.mark.parametrize(("role", "rows", "said"), [(Role.LIGHT, 96, "48 %"), (Role.DARK, 8, "4.0 %")])
def test_a_frame_of_which_enough_is_defined_is_used(role: Role, rows: int, said: str) -> None:
    image = sensor()
    image[:rows] = np.nan
    assert noted(image, role).problems == (
        f"about {said} of its samples are undefined (NaN); they are left out, the others count",
    )


def test_blocks_lost_within_a_light() -> None:
    image = sensor()
    image[20:40], image[90:120], image[120:130] = 0, 0, 7
    assert noted(image).blank_rows == ((20, 40), (90, 130))


def test_a_light_of_which_less_than_half_is_left() -> None:
    image = sensor()
    image[:110] = 0
    with pytest.raises(FrameError, match=r"rows 0-109 of 200 hold one value only \(0\), 55 % .*was cut"):
        noted(image)


@pytest.mark.parametrize("role", [Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT])
def test_a_calibration_frame_that_was_cut_is_not_used(role: Role) -> None:
    image = sensor()
    image[160:] = 0
    with pytest.raises(FrameError, match=r"rows 160-199 of 200"):
        noted(image, role)


@pytest.mark.parametrize("role", [Role.LIGHT, Role.DARK])
def test_rows_that_a_sensor_never_fills_are_masked_in_every_frame(role: Role) -> None:
    image = sensor()
    image[:4] = 16
    assert noted(image, role).blank_rows == ((0, 4),)


def hot(image: np.ndarray) -> np.ndarray:
    image[50, 60], image[120, 9] = 4000, 900
    return image


def full_flat() -> np.ndarray:
    y, x = np.mgrid[:NY, :NX]
    glow = 70000 - 9 * ((y - 100) ** 2 + (x - 60) ** 2 / 400)
    return np.minimum(sensor() + glow, 65535).astype(np.float32)


@pytest.mark.parametrize(
    "image",
    [
        sensor(),
        sensor(3, 1.2),  # 8 bits
        hot(sensor(0, 0.05)),  # clipped at 0: nearly every row is nothing but zeros
        hot(sensor(64, 0.1)),
        full_flat(),
        np.minimum(sensor(), 490).astype(np.float32),
    ],
)
@pytest.mark.parametrize("role", [Role.LIGHT, Role.FLAT, Role.BIAS])
def test_what_a_sensor_does_is_left_alone(image: np.ndarray, role: Role) -> None:
    frame = noted(image, role)
    assert (frame.blank_rows, frame.problems) == ((), ())


def test_missing_blocks_that_are_no_rows() -> None:
    image = sensor()
    image[100:, 32:] = 0
    with pytest.raises(FrameError, match=r"32 % of its samples lie in blocks that hold one value only \(0\)"):
        noted(image)


def test_saturated_stars_are_no_missing_blocks() -> None:
    image = sensor()
    y, x = np.mgrid[:NY, :NX]
    for cy, cx in ((40, 40), (150, 70)):
        image[(y - cy) ** 2 + (x - cx) ** 2 < 18**2] = 60000
    assert noted(image).blank_rows == ()
