"""Sites as they are written, and what is refused of them."""

from __future__ import annotations

import pytest

from fourlight.errors import InputError
from fourlight.sky.site import Site, site_from_text


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("31.5,-38", (31.5, -38.0, 0.0)),
        ("31.5, -38 , 2100", (31.5, -38.0, 2100.0)),
        ("31.5N,38W,2100m", (31.5, -38.0, 2100.0)),
        ("38W;31.5S", (-31.5, -38.0, 0.0)),
        ("-31.5,322", (-31.5, 322.0, 0.0)),
    ],
)
def test_what_is_written_is_what_is_meant(text: str, found: tuple[float, float, float]) -> None:
    assert site_from_text(text) == found


def test_a_name_is_no_place() -> None:
    assert site_from_text("the ledge") is None


@pytest.mark.parametrize("text", ["-31N,38", "31N,38S", "38E,38W", "a,b", "31,5,38,0", "31.5,-38,high", ","])
def test_two_meanings_or_none_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="write latitude north and longitude east"):
        site_from_text(text)


def test_swapped_numbers_are_recognised() -> None:
    with pytest.raises(InputError, match="swapped"):
        Site("here", 138.0, 31.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((95.0, 200.0), "-90 to 90"),
        ((10.0, 400.0), "-180 to 360"),
        ((10.0, 20.0, 12000.0), "metres above the sea"),
        ((10.0, 20.0, 0.0, 25.0), "15 .* to 22.5"),
    ],
)
def test_numbers_out_of_range_are_refused(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Site("here", *values)


def test_longitudes_are_counted_to_the_east_from_minus_180() -> None:
    assert Site("here", 0.0, 322.0).longitude_deg == pytest.approx(-38.0)
    assert Site("here", 0.0, 180.0).longitude_deg == pytest.approx(-180.0)
