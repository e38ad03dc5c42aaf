"""What the channels have in common, in sentences."""

from fourlight.report.in_common import in_common


def part(value, low, high):
    return {"value": value, "low": low, "high": high}


FOUND = {
    "common": {
        "structure_of_green": {
            "object": {"R": part(0.9, 0.8, 1.0), "B": part(0.5, 0.45, 0.55), "R and B": part(0.97, 0.95, 0.99)},
            "stars": {"R": part(0.1, 0.0, 0.2)},
        },
        "response_where_another_leads": {"R": [0.16, 0.17], "G": [0.32, 0.39], "B": [0.17, 0.36]},
    },
    "light": {"object_over_stars": {"R_over_G": part(3.1, 3.0, 3.2), "B_over_G": part(0.8, 0.7, 0.9)}},
    "measured": {
        "in_one_frame": {"R": 0.25, "G": 0.5, "B": 0.25},
        "samples_per_pixel": {"R": 3.4, "G1": 3.2, "G2": 3.2, "B": 3.1},
    },
}  # fmt: skip


def test_everything_that_is_known_is_said():
    structure, light, filters, samples = in_common(FOUND)
    assert structure == (
        "Of what green shows of the object, red shows 90 ± 10 %, blue shows 50 ± 5 % and both together show 97 ± 2 %; "
        "the rest is green’s own."
    )
    assert "3.10 ± 0.10 times as much red and 0.80 ± 0.10 times as much blue" in light
    assert "16 to 17 % of red, 32 to 39 % of green and 17 to 36 % of blue" in filters
    assert "50 % of the pixels of green and 25 % of those of red" in samples
    assert "R 3.4, G1 3.2, G2 3.2, B 3.1" in samples


def test_what_is_not_known_is_left_out():
    """Common practice, no source: half of a mosaic is green; a run without an object tells of stars."""
    assert in_common({}) == []
    bare = {"common": {"structure_of_green": {"object": {}, "stars": {"R": part(0.94, 0.9, 0.98)}}}}
    assert in_common(bare) == [
        "Of what green shows of the stars, red shows 94 ± 4 %; the rest is green’s own."
    ]
    unknown = {
        "light": {"object_over_stars": {"R_over_G": part(None, None, None), "B_over_G": part(1, 0.9, 1.1)}}
    }
    assert in_common(unknown) == []


def test_pixels_without_a_sample_are_counted():
    holes = {"R": 812, "G1": 0, "G2": 0, "B": 1205, "G": 0}
    (said,) = in_common({"measured": FOUND["measured"] | {"pixels_without": holes}})
    assert "every pixel but those that stay empty, 812 of R and 1,205 of B" in said
    (said,) = in_common({"measured": FOUND["measured"] | {"pixels_without": dict.fromkeys(holes, 0)}})
    assert "this stack fills in none: it has samples behind every pixel of every colour" in said
