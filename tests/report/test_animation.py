"""Before and after: frames, times and labels of the moving picture, read back by Pillow."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageSequence

from fourlight.report.animation import HOLD_MS, STEPS, before_after, write_animation


def pair(shape=(90, 120, 3)):
    return np.full(shape, 40, np.uint8), np.full(shape, 200, np.uint8)


@pytest.mark.parametrize("kind", ["webp", "png"])
def test_it_goes_there_and_back_for_ever(kind):
    before, after = pair()
    data = before_after(before, after, kind=kind)
    image = Image.open(io.BytesIO(data))
    frames = [np.asarray(frame.convert("RGB")) for frame in ImageSequence.Iterator(image)]
    assert len(frames) == 2 * (STEPS + 1)
    assert image.info["loop"] == 0
    level = [int(frame[45, 60, 0]) for frame in frames]
    assert level[0] == pytest.approx(40, abs=2)
    assert level[STEPS + 1] == pytest.approx(200, abs=2)
    assert level[: STEPS + 2] == sorted(level[: STEPS + 2])
    assert level[STEPS + 1 :] == sorted(level[STEPS + 1 :], reverse=True)


def test_it_stays_at_both_ends_and_moves_between():
    image = Image.open(io.BytesIO(before_after(*pair(), kind="png")))
    times = []
    for k in range(image.n_frames):
        image.seek(k)
        times.append(image.info["duration"])
    assert times[0] == times[STEPS + 1] == HOLD_MS
    assert (
        300 < sum(times[1 : STEPS + 1]) < 1000
    )  # fewer than three changes a second, which may harm some people


def test_labels_are_below_the_picture_and_the_lit_one_changes():
    image = Image.open(io.BytesIO(before_after(*pair((200, 300, 3)), ("With", "Without"), kind="png")))
    assert image.height > 200
    first, last = (_strip(image, k) for k in (0, STEPS + 1))
    left, right = np.s_[:, :80], np.s_[:, -80:]
    assert first[left].max() > last[left].max() + 50
    assert last[right].max() > first[right].max() + 50


def _strip(image, k):
    image.seek(k)
    strip = np.asarray(image.convert("L")).astype(int)[200:].copy()
    strip[:, 90:-90] = 0
    return strip


def test_large_pictures_are_reduced_and_grey_ones_taken():
    image = Image.open(io.BytesIO(before_after(*pair((400, 1000)), longest_px=500)))
    assert image.width == 500
    assert image.height < 300


def test_pictures_must_have_one_shape(tmp_path):
    with pytest.raises(ValueError, match="one shape"):
        before_after(np.zeros((5, 5), np.uint8), np.zeros((5, 6), np.uint8))
    write_animation(tmp_path / "a.webp", before_after(*pair()))
    with Image.open(tmp_path / "a.webp") as image:
        assert image.is_animated
