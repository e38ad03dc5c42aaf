"""Which frames a camera can be measured from, and what forbids it in one line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role
from fourlight.stages.camera_frames import (
    alike,
    bias_frames,
    dark_frames,
    flat_frames,
    flat_pairs,
    pairs_in_time,
    place_names,
)


def frame(role: Role, number: int, exposure_s: float | None, **facts: object) -> RawFrame:
    time = datetime(2031, 5, 6, tzinfo=UTC) + timedelta(minutes=number)
    made = RawFrame(
        path=Path(f"{role}{number}.fits"), hdu=0, ny=100, nx=120, role=role, role_source="header", mosaic="RGGB",
        exposure_s=exposure_s, gain_setting=100.0, offset_setting=40.0, camera="bench", time=time,
    )  # fmt: skip
    return replace(made, **facts)  # type: ignore[arg-type]


def flats(exposures: list[float], **facts: object) -> list[RawFrame]:
    return [frame(Role.FLAT, k, exposure, **facts) for k, exposure in enumerate(exposures)]


def level(frames: list[RawFrame], shares: list[float] | None = None) -> np.ndarray:
    shares = shares or [1.0] * len(frames)
    return np.array(
        [[500.0 * (f.exposure_s or 1.0) * share] * 4 for f, share in zip(frames, shares, strict=True)]
    )


NOTES: list[str] = []


@pytest.fixture(autouse=True)
def _fresh() -> None:
    NOTES.clear()


def test_pairs_are_of_one_exposure_and_in_time() -> None:
    found = flats([1.0, 1.0, 2.0, 2.0, 2.0, 1.005, 1.005])
    groups = flat_pairs(found, level(found), "flats", NOTES.append)
    numbers = [[(int(a.path.stem[4:]), int(b.path.stem[4:])) for a, b in group] for group in groups]
    assert numbers == [[(0, 1), (5, 6)], [(2, 3)]]
    assert NOTES == ["1 flat without a partner of the same exposure and level left out of pairs."]


def test_filters_are_kept_apart() -> None:
    found = [*flats([1.0], filter_name="red"), *flats([1.0, 1.0], filter_name="none")]
    groups = flat_pairs(found, level(found), "flats", NOTES.append)
    assert [f.filter_name for pair in groups[0] for f in pair] == ["none", "none"]
    assert len(groups) == 1


def test_a_jump_of_the_lamp_parts_no_more_than_one_pair() -> None:
    found = flats([1.0] * 5)
    groups = flat_pairs(found, level(found, [1.0, 1.3, 1.31, 1.3, 1.3]), "flats", NOTES.append)
    assert [tuple(int(f.path.stem[4:]) for f in pair) for pair in groups[0]] == [(1, 2), (3, 4)]


def test_drift_that_is_taken_out_is_told() -> None:
    found = flats([1.0] * 4)
    flat_pairs(found, level(found, [1.0, 1.04, 1.08, 1.12]), "flats", NOTES.append)
    assert NOTES == [
        "The lamp drifts by up to 3.8 % between flats of a pair; they are scaled to one level first."
    ]


@pytest.mark.parametrize(
    ("exposures", "shares", "said"),
    [
        (
            [1.0],
            [1.0],
            "flats: 1 flat found, no two of one exposure and filter; a pair of the same light is needed",
        ),
        ([1.0, 2.0, 4.0], [1.0] * 3, "flats: 3 flats found, no two of one exposure and filter"),
        ([1.0] * 4, [1.0, 1.2, 1.45, 1.8], "flats of drifting light: from one flat to the next"),
    ],
)
def test_no_pair_is_one_line(exposures: list[float], shares: list[float], said: str) -> None:
    found = flats(exposures)
    with pytest.raises(InputError, match=said):
        flat_pairs(found, level(found, shares), "flats", NOTES.append)


def test_frames_that_say_to_be_something_else_are_left_out() -> None:
    found = flat_frames([*flats([1.0, 1.0]), frame(Role.DARK, 8, 60.0)], "flats", NOTES.append)
    assert len(found) == 2
    assert NOTES == ["1 of 3 frames among the flats left out: by their headers they are darks."]
    with pytest.raises(
        InputError, match="bias: no bias frames found, by their headers all 2 frames are flats; name"
    ):
        bias_frames(flats([1.0, 1.0]), "bias", NOTES.append)
    with pytest.raises(InputError, match="flats: no flats found, no frame can be used"):
        flat_frames([], "flats", NOTES.append)


def test_a_folder_that_is_named_bias_is_believed_where_headers_are_silent() -> None:
    odd = [frame(Role.LIGHT, k, 0.0, role_source="pixels") for k in range(2)]
    assert bias_frames(odd, "bias", NOTES.append) == odd


def test_long_exposures_are_no_bias_frames() -> None:
    darks = [frame(Role.DARK, k, 60.0) for k in range(3)]
    with pytest.raises(InputError, match="no bias frame found, all 3 frames are exposed for 60 s or so"):
        bias_frames(darks, "bias", NOTES.append)
    mixed = [*darks[:1], *(frame(Role.DARK, k, 0.001) for k in range(5, 8))]
    assert len(bias_frames(mixed, "bias", NOTES.append)) == 3
    assert NOTES == ["1 of 4 bias frames left out: exposed for more than 2 s."]
    with pytest.raises(InputError, match="1 bias frame found; 2 are needed for a pair"):
        bias_frames([frame(Role.BIAS, 0, 0.0)], "bias", NOTES.append)


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"gain_setting": 200.0}, "gain 200 instead of 100"),
        ({"offset_setting": 10.0}, "offset 10 instead of 40"),
        ({"nx": 60}, "size 60 x 100 instead of 120 x 100"),
        ({"mosaic": "GBRG"}, "mosaic GBRG instead of RGGB"),
        ({"binning": 2}, "binning 2 instead of 1"),
        ({"camera": "other"}, "camera other instead of bench"),
    ],
)
def test_flats_bias_and_darks_of_another_kind_are_refused(facts: dict[str, object], said: str) -> None:
    flat = frame(Role.FLAT, 0, 1.0)
    with pytest.raises(InputError, match=f"flats and bias frames do not belong together: {said}"):
        alike(flat, frame(Role.BIAS, 1, 0.0, **facts))
    with pytest.raises(InputError, match=f"flats: flats of several kinds: {said}"):
        flat_frames([flat, frame(Role.FLAT, 1, 1.0, **facts)], "flats", NOTES.append)
    with pytest.raises(InputError, match=f"darks: no dark of the same kind as the flats: {said}"):
        dark_frames([frame(Role.DARK, 1, 60.0, **facts)], flat, "darks", NOTES.append)
    some = [frame(Role.DARK, 1, 60.0, **facts), frame(Role.DARK, 2, 60.0)]
    assert dark_frames(some, flat, "darks", NOTES.append) == some[1:]
    assert [f"1 of 2 darks left out: {said}."] == NOTES


def test_what_is_not_said_is_taken_to_agree() -> None:
    alike(
        frame(Role.FLAT, 0, 1.0), frame(Role.BIAS, 1, 0.0, gain_setting=None, mosaic=None, camera=" BENCH ")
    )


def test_darks_without_an_exposure_are_none() -> None:
    with pytest.raises(InputError, match="their exposure is not stated, or zero"):
        dark_frames([frame(Role.DARK, 1, None)], frame(Role.FLAT, 0, 1.0), "darks", NOTES.append)


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_every_frame_is_in_one_pair_at_most(count: int) -> None:
    found = pairs_in_time([frame(Role.BIAS, k, 0.0) for k in range(count)])
    assert len(found) == count // 2
    assert len({f.path for pair in found for f in pair}) == 2 * len(found)


def test_names_of_places_follow_the_mosaic() -> None:
    assert place_names("BGGR") == ("B", "G2", "G1", "R")
