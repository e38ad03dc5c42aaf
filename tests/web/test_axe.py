"""Every view under the rules of WCAG 2.1, A and AA, as axe-core judges them (an independent checker of pages)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.project import Project
from job_orders import Steps
from page_browser import one_of, opened, sized, text_of, until
from web_browser import MARKS, themed
from web_pictures import write_picture
from web_results import raw_light, write_evidence, write_lights

pytestmark = MARKS

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
CONTRAST = "color-contrast"
"""The only rule that depends on the theme."""
VIEWS = {
    "picture": ".settings details",
    "planes": "canvas",
    "lines": "canvas",
    "frames": "tbody tr",
    "evidence": ".figures img",
    "plan": ".settings details",
    "start": "button",
    "run": ".before details",
}
"""Views, and what is there once they are."""


@pytest.fixture(scope="module")
def page(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A project that has all views and two jobs behind it, on a tablet held upright."""
    folder = tmp_path_factory.mktemp("axe")
    out = write_lights(write_evidence(folder / "out"), 12, raw_light(folder / "raw" / "light.fits"))
    write_picture(out)
    maps = np.random.default_rng(1).normal(100, 5, (2, 60, 80)).astype(np.float32)
    units = [fits.ImageHDU(each, name=name) for each, name in zip(maps, ("HALPHA", "OIII"), strict=True)]
    fits.HDUList([fits.PrimaryHDU(), *units]).writeto(out / "lines.fits")
    project = Project(out, Sources(nights=(folder / "raw",), demo=folder / "demo"))
    with pytest.MonkeyPatch.context() as patch:
        order = Steps(1, title="Test the claims", lines=40)
        patch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: order)
        opened(browser, project, "run")
        for number in (1, 2):
            until(browser, lambda: one_of(browser, "button", "Test the claims").is_enabled())
            one_of(browser, "button", "Test the claims").click()
            until(
                browser, lambda number=number: len(project.jobs.told()) == number and not project.jobs.at_work
            )
            text_of(browser, "status", "done after")
    sized(browser, 820)
    yield browser
    themed(browser, "dark")
    sized(browser, 1280)
    project.jobs.close(1)


def look(page: Any, view: str) -> None:
    """Turn to a view, with all of it unfolded and a light shown."""
    page.execute_script("location.hash = arguments[0];", view)
    until(page, lambda: page.find_elements("css selector", f"main[data-view={view}] {VIEWS[view]}"))
    page.execute_script("for (const part of document.querySelectorAll('details')) part.open = true;")
    if view == "frames":
        page.find_element("css selector", "tbody tr").click()
        until(page, lambda: page.find_elements("css selector", ".detail img"))


def judged(page: Any, rules: list[str]) -> dict[str, Any]:
    from axe_core_python.selenium import Axe

    kinds = ["violations", "incomplete", "passes"]
    found: dict[str, Any] = Axe().run(page, options={"runOnly": rules, "resultTypes": kinds})
    return found


def grave(found: dict[str, Any]) -> list[str]:
    """What breaks a rule and keeps people from using the page, or a rule that could not be applied."""
    broken = [
        f"{rule['id']}: {node['html'][:120]} {node['failureSummary']}"
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]
    return broken + [f"{rule['id']} was not applied" for rule in found["incomplete"] if not rule["nodes"]]


@pytest.mark.parametrize("view", VIEWS)
def test_no_view_keeps_anybody_out(page: Any, view: str) -> None:
    look(page, view)
    for theme, rules in (("dark", RULES), ("light", [CONTRAST]), ("night", [CONTRAST])):
        themed(page, theme)
        found = judged(page, rules)
        assert grave(found) == [], theme
        letters = next(rule for rule in found["passes"] if rule["id"] == CONTRAST)
        assert len(letters["nodes"]) > 10, theme


def test_what_keeps_people_out_is_found(page: Any) -> None:
    page.execute_script(
        "const bad = document.createElement('button'); bad.style.cssText = 'background: #888'; bad.id = 'bad';"
        "document.querySelector('main').append(bad);"
    )
    try:
        assert [words[:11] for words in grave(judged(page, RULES))] == ["button-name"]
    finally:
        page.execute_script("document.getElementById('bad').remove();")
