"""Lines of a run in a real browser: in colour and each by itself, counted from the sky, which they are told above."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.project import Project
from page_browser import one_of, opened, remarks, until
from page_manners import test_everything_has_a_name as test_everything_has_a_name
from page_manners import test_it_fits_the_screen as test_it_fits_the_screen
from web_browser import MARKS
from web_results import write_results

pytestmark = MARKS
NOISE = 5.0


@pytest.fixture(scope="module")
def page(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Light that fills all but the right third of the field, as faint as four times the noise of a pixel."""
    out = write_results(tmp_path_factory.mktemp("lines") / "out", (400, 600))
    rng = np.random.default_rng(3)
    units = [fits.PrimaryHDU()]
    for name, light, unit in (("HALPHA", 4 * NOISE, "rayleigh"), ("OIII", 8 * NOISE, "adu")):
        image = rng.normal(0, NOISE, (400, 600))
        image[:, :400] += light
        units.append(fits.ImageHDU(image.astype(np.float32), name=name))
        units[-1].header["BUNIT"] = unit
    fits.HDUList(units).writeto(Path(out) / "lines.fits")
    opened(browser, Project(out), "lines")
    until(browser, lambda: sum(pixel(browser, "Hα", 0.3)) > 0)
    yield browser
    assert remarks(browser) == []


def pixel(page: Any, name: str, x: float) -> list[float]:
    """Mean colour around a place of a panel."""
    found = page.find_elements("css selector", f"canvas[aria-label^='{name}']")
    script = (
        "const c = arguments[0]; const d = c.getContext('2d').getImageData(arguments[1] * c.width - 10, "
        "c.height / 2 - 10, 20, 20).data; return [0, 1, 2].map(k => d.filter((_, j) => j % 4 == k)"
        ".reduce((a, b) => a + b, 0) / 400);"
    )
    return list(page.execute_script(script, found[0], x)) if found else [0.0]


def test_faint_light_that_fills_the_field_is_seen_above_the_sky(page: Any) -> None:
    for name in ("Hα", "[O III]"):
        assert pixel(page, name, 0.3)[0] > 1.5 * pixel(page, name, 0.9)[0] > 0


def test_both_are_shown_in_colour_too(page: Any) -> None:
    """Hα in red, [O III] in green and blue, as the pictures of lines have it: the brighter one rules."""
    red, green, blue = pixel(page, "in colour: Hα red, [O III] green and blue", 0.3)
    assert green == pytest.approx(blue, abs=0.01)
    assert green > red > 0


def test_light_under_the_pointer_is_told_in_the_unit_of_each_line(page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    values = page.find_element("css selector", "output.values")
    ActionChains(page).move_to_element(page.find_element("css selector", "canvas")).perform()
    number = r"-?[\d.]+"
    until(page, lambda: re.search(f": HALPHA {number} rayleighs, OIII {number} ADU", values.text))


def test_a_line_can_be_taken_out_of_the_colours(page: Any) -> None:
    box = one_of(page, "checkbox", "Hα in the colours")
    box.click()
    until(page, lambda: pixel(page, "in colour", 0.3)[0] == 0)
    assert pixel(page, "in colour", 0.3)[1] > 0
    box.click()
