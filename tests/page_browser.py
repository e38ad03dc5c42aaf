"""Elements of a page by role and name, in one browser for all tests of views: its start takes long."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from fourlight.pipeline.project import Project
from web_browser import started, visit

TAGS = {
    "button": "button",
    "link": "a[href]",
    "progressbar": "progress",
    "status": "[role=status]",
    "alert": "[role=alert]",
    "log": "[role=log]",
    "image": "[role=img]",
    "slider": "input[type=range]",
    "spinbutton": "input[type=number]",
    "combobox": "select",
    "checkbox": "input[type=checkbox]",
    "radio": "input[type=radio]",
    "textbox": "input[type=text]:not([list])",
    "combobox-text": "input[list]",
}
"""Elements that have a role (WAI-ARIA 1.2, HTML-AAM) on our pages."""
TOLD = ("status", "alert")
"""Roles whose text is all that is told."""


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    driver = started()
    driver.implicitly_wait(0)  # what is not there is often what is asked for
    yield driver
    driver.quit()


def opened(browser: Any, project: Project, view: str = "") -> Any:
    """The page of a project in the browser, as its link opens it, and what was remarked before forgotten."""
    browser.get("about:blank")
    browser.get_log("browser")
    visit(browser, project)
    if view:
        until(browser, lambda: browser.find_elements("css selector", f"#views a[data-view={view}]"))[
            0
        ].click()
    return browser


def until(page: Any, true: Any, seconds: float = 60) -> Any:
    """Wait for something to become true on the page; what it gave."""
    from selenium.common.exceptions import StaleElementReferenceException
    from selenium.webdriver.support.ui import WebDriverWait

    wait = WebDriverWait(page, seconds, 0.05, ignored_exceptions=[StaleElementReferenceException])
    return wait.until(lambda _: true())


def all_of(page: Any, role: str, name: str = "") -> list[Any]:
    """Elements of a role that are seen and whose accessible name begins with some words."""
    found = page.find_elements("css selector", TAGS[role])
    return [each for each in found if each.is_displayed() and each.accessible_name.startswith(name)]


def one_of(page: Any, role: str, name: str = "") -> Any:
    """The only element of a role and name, waited for."""
    (found,) = until(page, lambda: len(all_of(page, role, name)) == 1 and all_of(page, role, name))
    assert found.aria_role == role.removesuffix("-text"), f"{name} is a {found.aria_role}"
    return found


def text_of(page: Any, role: str, words: str) -> str:
    """Text of the first element of a role that holds some words, waited for."""

    def found() -> str:
        texts = [each.text for each in page.find_elements("css selector", TAGS[role])]
        return next((text for text in texts if words in text), "")

    return str(until(page, found))


def remarks(page: Any) -> list[Any]:
    """What the browser found wrong; reading pixels back, which is the tests' doing, is remarked on as "rendering"."""
    return [entry for entry in page.get_log("browser") if entry["source"] != "rendering"]


def sized(page: Any, width: int) -> None:
    """Make the page so wide."""
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )


def overflows(page: Any) -> list[str]:
    """Elements that are wider than the page."""
    script = (
        "const w = document.documentElement.clientWidth; return [...document.querySelectorAll('body *')].filter("
        "e => e.getBoundingClientRect().right > w + 1).map(e => e.outerHTML.slice(0, 80));"
    )
    return list(page.execute_script(script))


def nameless(page: Any) -> list[str]:
    """Controls and pictures that are seen and that a screen reader has no name for."""
    tags = ", ".join(TAGS[role] for role in TAGS if role not in TOLD)
    script = (
        "return [...document.querySelectorAll(arguments[0])]"
        ".filter(e => e.checkVisibility({contentVisibilityAuto: true}));"  # rows out of sight are laid out later
    )
    found = page.execute_script(script, tags)
    return [
        each.get_attribute("outerHTML") for each in found if each.is_displayed() and not each.accessible_name
    ]
