"""The sheet on what a picture rests on: its map, its table and its words."""

import numpy as np

from fourlight.report.figure_honesty import honesty_figure, honesty_words, map_colours, slope_rows

FACTS = {
    "denoise": {
        "slopes": {"brightness": [1.04, 0.62, 0.95, None, 0.97], "red": [None] * 5},
        "capped": {"brightness": [1.04, 0.96, 0.95, None, 0.97], "red": [None] * 5},
        "kept_area_share": 0.137,
        "strength": 0.9,
    }
}
NOTES = {
    "sharpen": ("G: stars of 3.60 px brought towards 2.70 px.",),
    "stretch": ("Display: the look clear.",),
}


def test_the_map_is_light_where_it_is_as_measured():
    dark, half, light = map_colours(np.array([[1.0, 0.5, 0.0]], np.float32))[0].astype(int)
    assert (dark < half).all()
    assert (half < light).all()
    np.testing.assert_array_equal(map_colours(np.array([[np.nan]], np.float32))[0, 0], light)


def test_what_was_lowered_shows_both_figures_and_more_than_all_is_all():
    bright, red = slope_rows(FACTS)
    assert bright == ["brightness", "100 %", "62 to 96 %", "95 %", "none kept", "97 %"]
    assert red[1:] == ["none kept"] * 5
    assert slope_rows({}) == []


def test_words_tell_of_every_step_that_did_something():
    said = " ".join(honesty_words(FACTS, NOTES))
    assert "14 % of the field" in said
    assert "90 % was taken away" in said
    assert "2.70 px" in said
    assert "the look clear" in said
    assert "noise of the measurement" in honesty_words({}, {})[0]


def test_the_sheet_holds_picture_and_map_of_one_size():
    picture = np.full((60, 90, 3), 200, np.uint8)
    page, words = honesty_figure(picture, np.ones((30, 45), np.float32), FACTS, NOTES)
    plain, _ = honesty_figure(picture, None, {}, {})
    pixels, bare = np.asarray(page.convert("RGB")), np.asarray(plain.convert("RGB"))
    middle = pixels.shape[1] // 2
    assert (pixels[200, middle // 2] == 200).all()
    assert pixels[200, middle + middle // 2].max() < 60
    assert bare[200, middle + middle // 2].min() > 120
    assert "62 to 96 %" in words


def test_the_smallest_pictures_stand_apart_too():
    for side in (1, 16, 90):
        page, _ = honesty_figure(
            np.full((side, side, 3), 255, np.uint8), np.zeros((side, side)), FACTS, NOTES
        )
        row = np.asarray(page.convert("L"))[200]
        middle = row.size // 2
        gap = int((row[middle - 60 : middle + 60] < 60).sum())
        assert 8 < gap < 30, side  # 12 points of paper
