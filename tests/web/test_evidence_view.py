"""What the lights say, in a real browser, by role and label."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from page_manners import (
    test_everything_has_a_name as test_everything_has_a_name,
)
from page_manners import (
    test_it_fits_the_screen as test_it_fits_the_screen,
)
from page_manners import (
    test_it_goes_down_a_phone_and_not_aside as test_it_goes_down_a_phone_and_not_aside,
)
from page_manners import (
    test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground,
)
from web_browser import MARKS, painted, screenshot, started, themed, visit
from web_results import write_evidence

pytestmark = MARKS


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    browser = started()
    visit(browser, write_evidence(tmp_path_factory.mktemp("evidence") / "results"), "evidence")
    assert browser.find_element("css selector", "table[aria-label='Electrons, the object']")
    yield browser
    browser.quit()


def test_shares_stand_in_words_beside_bars_that_are_as_long(page: Any) -> None:
    table = page.find_element("css selector", "table[aria-label='Electrons, the object']")
    words = [row.text for row in table.find_elements("css selector", "tbody tr")]
    assert words[0].startswith("Red")
    assert "54.8 ± 0.1 %" in words[1]
    lengths = [
        float(bar.get_attribute("width")) for bar in table.find_elements("css selector", "td.bar rect")
    ]
    assert lengths[0] / lengths[1] == pytest.approx(0.2766 / 0.5483, rel=1e-3)


def test_claims_have_verdict_and_reason(page: Any) -> None:
    claims = page.find_element("css selector", "[role=region][aria-label='Claims']").text
    assert "green is idle" in claims
    assert "contradicted" in claims
    assert "For these frames" in claims


def test_figures_have_a_sentence_and_can_be_kept(page: Any) -> None:
    images = page.find_elements("css selector", "figure img[alt]")
    assert len(images) == 2
    for image in images:
        page.execute_script("arguments[0].scrollIntoView();", image)
        wide = page.execute_async_script(
            "arguments[0].decode().then(() => arguments[1](arguments[0].naturalWidth));", image
        )
        assert wide == 40
    kept = [link.get_attribute("download") for link in page.find_elements("css selector", "figure .links a")]
    assert kept == ["shares.png", "shares.svg", "without-green.png", "without-green.webp"]
    assert all(caption.text for caption in page.find_elements("css selector", "figcaption > span"))


def test_what_moves_waits_to_be_asked(page: Any) -> None:
    """WCAG 2.2, 2.2.2: what moves by itself for more than five seconds can be stopped."""
    box = page.find_element("xpath", "//summary[.='Show it moving']")
    moving = "return document.querySelectorAll(\"img[src$='without-green.webp']\").length;"
    assert page.execute_script(moving) == 0
    box.click()
    painted(page)
    assert page.execute_script(moving) == 1
    box.click()
    painted(page)
    assert page.execute_script(moving) == 0


def test_red_for_the_dark_is_red_from_top_to_bottom(page: Any) -> None:
    themed(page, "night")
    for part in page.find_elements("css selector", ".evidence > section"):
        page.execute_script("arguments[0].scrollIntoView();", part)
        painted(page)
        shot = screenshot(page)
        assert shot[..., 1:].max() == 0
        assert shot[..., 0].max() > 150
    themed(page, "dark")


def test_nothing_went_wrong_and_nothing_left_this_machine(page: Any) -> None:
    assert page.get_log("browser") == []
    asked = page.execute_script(
        "return performance.getEntriesByType('resource').map(e => new URL(e.name).host);"
    )
    assert set(asked) == {page.execute_script("return location.host;")}


def test_a_run_without_evidence_says_how_to_get_it(page: Any, results: Path) -> None:
    visit(page, results, "evidence")
    assert "fourlight channels" in page.find_element("css selector", ".evidence > p").text
