"""What every view of the page must keep to; imported by the tests of a view, whose fixture `page` shows it."""

from __future__ import annotations

from typing import Any

import pytest

from page_browser import nameless, overflows, sized, until
from web_browser import least_contrast, themed

__all__ = [
    "test_everything_has_a_name",
    "test_it_fits_the_screen",
    "test_it_goes_down_a_phone_and_not_aside",
    "test_letters_stand_out_of_their_ground",
]


@pytest.mark.parametrize("theme", ["dark", "light", "night"])
def test_letters_stand_out_of_their_ground(page: Any, theme: str) -> None:
    """At least 4.5 to 1: WCAG 2.2, success criterion 1.4.3."""
    until(page, lambda: page.find_elements("css selector", "main h2"))
    themed(page, theme)
    assert least_contrast(page) >= 4.5
    themed(page, "dark")


def test_everything_has_a_name(page: Any) -> None:
    assert nameless(page) == []


@pytest.mark.parametrize("width", [1280, 820])
def test_it_fits_the_screen(page: Any, width: int) -> None:
    sized(page, width)
    assert overflows(page) == []
    sized(page, 1280)


def test_it_goes_down_a_phone_and_not_aside(page: Any) -> None:
    """Only what has a box of its own to scroll in is wider, such as the table of lights: WCAG 2.2, criterion 1.4.10."""
    sized(page, 400)
    wide, seen = page.execute_script(
        "const e = document.documentElement; return [e.scrollWidth, e.clientWidth];"
    )
    sized(page, 1280)
    assert wide <= seen
