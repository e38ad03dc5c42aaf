"""One exposure in several files counts once; what a clock says is not enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.likeness import COUNT, SIDE, likeness
from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.io.pixels import PixelSource, masked
from fourlight.stages.copies import find_copies, without_copies, without_equal_files

NY, NX = 211, 240
WHEN = datetime(2030, 1, 1, tzinfo=UTC)


def image(seed: int) -> np.ndarray:
    return np.rint(np.random.default_rng(seed).normal(900, 20, (NY, NX))).astype(np.float32)


def parted(
    images: list[np.ndarray], exposure_s: float = 60.0, role: Role = Role.LIGHT,
    blank: dict[int, tuple[tuple[int, int], ...]] | None = None, called: tuple[str, ...] = (),
) -> tuple[list[str], list[str], list[str]]:  # fmt: skip
    """Names kept, names with reasons, notes; all frames of one start."""
    frames = [
        RawFrame(Path(name), 0, NY, NX, role, "header", exposure_s=exposure_s, time=WHEN)
        for name in called or [f"{n}.fits" for n in range(len(images))]
    ]
    for n, rows in (blank or {}).items():
        frames[n] = replace(frames[n], blank_rows=rows)
    held = {frame.path: values for frame, values in zip(frames, images, strict=True)}

    def source(frame: RawFrame) -> PixelSource:
        return masked(HeldPixels(held[frame.path]), frame)

    names = {frame.path: frame.path.name for frame in frames}
    kept, aside, notes = without_copies(frames, {path: str(path) for path in names}, names, source)
    return [f.path.name for f in kept], [f"{item.path.name}: {item.reason}" for item in aside], notes


@pytest.mark.parametrize("change", [lambda values: values, lambda values: values - 300])
def test_equal_pixels_up_to_a_constant_are_a_copy(change: Callable[[np.ndarray], np.ndarray]) -> None:
    found = parted([image(1), image(2), change(image(1))])
    assert found[:2] == (["0.fits", "1.fits"], ["2.fits: a copy of 0.fits; each exposure counts once"])


def one_sample_wrong(values: np.ndarray) -> np.ndarray:
    values = values.copy()
    values[7, 9] = 0
    return values


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (one_sample_wrong, "changed or damaged"),
        (lambda values: 1.5 * values, "changed or damaged"),
        (lambda values: values[::-1], "mirrored by other software"),
        (lambda values: values[::-1, ::-1], "turned by other software"),
    ],
)
def test_one_exposure_with_other_pixels_counts_once(
    change: Callable[[np.ndarray], np.ndarray], what: str
) -> None:
    kept, aside, notes = parted([image(1), change(image(1))])
    assert kept == ["0.fits"]
    assert aside == [
        f"1.fits: same start, exposure and noise as 0.fits but other pixels ({what}); each exposure counts once"
    ]
    assert not notes


def test_the_whole_file_is_kept_wherever_it_stands() -> None:
    lost = image(1)
    lost[120:] = 0
    for images, blank, better in (([lost, image(1)], 0, 1), ([image(1), lost], 1, 0)):
        kept, aside, _ = parted(images, blank={blank: ((120, NY),)})
        assert kept == [f"{better}.fits"]
        assert f"{blank}.fits: same start, exposure and noise as {better}.fits" in aside[0]
        assert "its rows 120-210 are missing" in aside[0]


def test_a_clock_that_stands_still_costs_no_exposure() -> None:
    kept, aside, notes = parted([image(n) for n in range(4)])
    assert (len(kept), aside) == (4, [])
    assert notes == [
        "4 lights, 0.fits among them, state one start and exposure, but each has noise of its own: all of them count."
    ]


def test_lights_of_one_moment_are_held_against_each_other_many_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Blocks of three; one by one only those are looked at that are alike, four pairs of 136."""
    looked = []

    def counted(one: np.ndarray, other: np.ndarray) -> tuple[float, str]:
        looked.append(likeness(one, other))
        return looked[-1]

    monkeypatch.setattr("fourlight.stages.copies.likeness", counted)
    monkeypatch.setattr("fourlight.stages.copies.AT_ONCE", 3)
    images = [image(n) for n in (0, 1, 0, *range(2, 12))]
    images += [image(3)[::-1], 2 * image(11), image(12), image(0) + 9]
    kept, aside, _ = parted(images)
    assert kept == [f"{n}.fits" for n in (0, 1, *range(3, 13), 15)]
    said = ("2.fits: a copy of 0.fits;", "13.fits: same start, exposure and noise as 4.fits but",
            "14.fits: same start, exposure and noise as 12.fits but", "16.fits: a copy of 0.fits;")  # fmt: skip
    assert len(aside) == len(said)
    assert all(item.startswith(words) for item, words in zip(aside, said, strict=True))
    assert len(looked) == 4


def test_short_exposures_of_one_second_are_nothing_odd() -> None:
    assert parted([image(1), image(2)], exposure_s=0.001, role=Role.BIAS) == (["0.fits", "1.fits"], [], [])


@pytest.mark.parametrize(
    ("called", "kept"),
    [
        (("n/copy of 4.fits", "n/light_3.fits", "n/light_4.fits"), "n/light_4.fits"),
        (("n/0 picked.fits", "n/light_12.fits", "n/light_9.fits"), "n/light_9.fits"),
        (("a/light_4 (1).fits", "a/x.fits", "b/light_4.fits"), "b/light_4.fits"),
        (("n/light_4 - copy.fits", "n/x.fits", "n/light_4.fits"), "n/light_4.fits"),
        (("n/1.fits", "n/light_0003.fits", "n/light_0004.fits"), "n/light_0004.fits"),
        (
            ("n/short.fits", "n/a name of many words 1.fits", "n/a name of many words 2.fits"),
            "n/a name of many words 2.fits",
        ),
    ],
)
def test_the_file_that_is_named_like_the_others_is_kept(called: tuple[str, ...], kept: str) -> None:
    """Copies are the first and the last; in the third and fourth case no name is like others: the shorter one stays."""
    for change in (lambda values: values, lambda values: values - 300):
        found, aside, _ = parted([change(image(1)), image(2), image(1)], called=called)
        assert found == [Path(name).name for name in (called[1], kept)]
        assert aside[0].startswith(f"{Path(called[0]).name}: a copy of {Path(kept).name};")
    frames = [RawFrame(Path(name), 0, NY, NX, Role.LIGHT, "header") for name in called]
    hashes = {frame.path: digest for frame, digest in zip(frames, "aba", strict=True)}
    left, (item,) = without_equal_files(frames, hashes, {path: str(path) for path in hashes})
    assert [str(frame.path) for frame in left] == [called[1], kept]
    assert str(item.path) == called[0]


class Counted:
    """Samples, and how many of them were read."""

    def __init__(self, values: np.ndarray) -> None:
        self.held = HeldPixels(values)
        self.shape = values.shape[0], values.shape[1]
        self.count = 0

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> np.ndarray:
        self.count += (y1 - y0) * (x1 - x0)
        return self.held.read(y0, y1, x0, x1)


def test_copies_are_found_without_reading_whole_frames() -> None:
    """Only to say why, whole frames are compared."""
    side = 2 * COUNT * SIDE
    values = np.random.default_rng(1).normal(900, 20, (side, side)).astype(np.float32)
    frames = [
        RawFrame(Path(f"{n}.fits"), 0, side, side, Role.LIGHT, "header", exposure_s=60.0, time=WHEN)
        for n in range(2)
    ]
    sources = {frame.path: Counted(values - 5 * n) for n, frame in enumerate(frames)}
    (copy,), unlike = find_copies(
        frames, {path: str(path) for path in sources}, lambda frame: sources[frame.path]
    )
    assert (copy.frame, copy.better, copy.same_bytes, copy.way) == (frames[1], frames[0], False, "")
    assert not unlike
    assert all(source.count <= (COUNT * SIDE) ** 2 for source in sources.values())
