"""What views have in common, in a real browser: what they show is what there is, and they are silent once left."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.project import Project
from job_orders import Makes, MakesAgain
from page_browser import one_of, opened, remarks, until
from web_browser import MARKS
from web_pictures import LOOKS, write_picture
from web_results import write_halves, write_results

pytestmark = MARKS

LATE = (
    "const [part, real] = [arguments[0], fetch]; window.late = null; window.fetch = (address, how) => "
    "late || !address.includes(part) ? real(address, how) : new Promise((come, gone) => { "
    "const answer = real(address); window.late = () => come(answer); "
    "how?.signal?.addEventListener('abort', () => gone(how.signal.reason)); });"
)
"""Holds the first answer to an address with some words back, until ``late`` is called."""


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Project]:
    project = Project(write_picture(write_results(tmp_path / "out", (60, 80))))
    monkeypatch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: MakesAgain(tmp_path / "out"))
    yield project
    project.jobs.close(1)


@pytest.mark.parametrize(
    ("view", "before", "after"),
    [
        ("planes", "input[aria-label='right edge, px'][max='80']", "input[aria-label='right edge, px'][max='900']"),
        ("evidence", ".evidence > p", "table[aria-label='Electrons, the object']"),
    ],
)  # fmt: skip
def test_results_of_a_job_are_shown_where_they_are_looked_at(
    browser: Any, project: Project, view: str, before: str, after: str
) -> None:
    page = opened(browser, project, view)
    until(page, lambda: page.find_elements("css selector", before))
    project.start("again")
    until(page, lambda: page.find_elements("css selector", after))
    assert not page.find_elements("css selector", before)
    assert remarks(page) == []


def test_a_job_that_began_and_ended_unseen_is_taken_in(browser: Any, project: Project) -> None:
    """A tab that nobody sees is told nothing of it before it is seen again."""
    page = opened(browser, project, "planes")
    until(page, lambda: page.find_elements("css selector", "input[aria-label='right edge, px'][max='80']"))
    first = page.current_window_handle
    page.switch_to.new_window("tab")
    project.start("again")
    until(page, lambda: not project.jobs.at_work)
    page.close()
    page.switch_to.window(first)
    until(page, lambda: page.find_elements("css selector", "input[aria-label='right edge, px'][max='900']"))


def test_a_view_that_was_left_says_nothing(browser: Any, project: Project) -> None:
    """Here a picture fails to come after another view was opened."""
    page = opened(browser, project, "run")
    page.execute_script(
        "const real = fetch; window.fetch = (address, how) => address.startsWith('/picture/') ? "
        "new Promise((_, lost) => { window.lose = () => lost(new TypeError()); }) : real(address, how);"
    )
    one_of(page, "link", "Picture").click()
    until(page, lambda: page.execute_script("return 'lose' in window;"))
    one_of(page, "link", "Evidence").click()
    until(page, lambda: page.find_elements("css selector", ".evidence"))
    assert page.execute_async_script("lose(); setTimeout(() => arguments[0](said.textContent), 100);") == ""


SPOT = (
    "return /x (-?[0-9]+), y (-?[0-9]+)/.exec(document.querySelector('output.values').textContent)"
    ".slice(1).map(Number);"
)


def spot(page: Any, canvas: Any, dx: int) -> tuple[int, int]:
    """Column and row under the pointer, so far right of the middle of a panel."""
    from selenium.webdriver.common.action_chains import ActionChains

    ActionChains(page).move_to_element_with_offset(canvas, dx, 0).perform()
    x, y = page.execute_script(SPOT)
    return int(x), int(y)


def hovered(page: Any, canvas: Any, dx: int) -> int:
    """Column of it."""
    return spot(page, canvas, dx)[0]


@pytest.fixture(scope="module")
def planes(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A panel of planes."""
    page = opened(browser, Project(write_results(tmp_path_factory.mktemp("steered") / "out")), "planes")
    return page, until(page, lambda: page.find_elements("css selector", "canvas[aria-label^='red;']"))[0]


def test_only_the_main_button_and_plain_keys_move_the_view(planes: Any) -> None:
    """The release of another button may go to a menu; Ctrl with plus and minus is the zoom of the browser."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page, canvas = planes
    canvas.send_keys("0")
    before = [spot(page, canvas, dx) for dx in (-50, 50)]
    mouse = ActionChains(page).move_to_element(canvas).w3c_actions
    mouse.pointer_action.pointer_down(button=2)
    mouse.pointer_action.move_to(canvas, 60, 0)
    mouse.pointer_action.pointer_up(button=2)
    mouse.perform()
    canvas.send_keys(Keys.CONTROL, "1")
    canvas.send_keys(Keys.ALT, Keys.ARROW_UP)
    assert [spot(page, canvas, dx) for dx in (-50, 50)] == before


def test_two_fingers_zoom_about_what_is_between_them(planes: Any) -> None:
    page, canvas = planes
    canvas.send_keys("0")
    where = [hovered(page, canvas, dx) for dx in (-40, 0, 40)]
    box = canvas.rect
    top = page.execute_script("return scrollY;")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 - top
    for kind, apart in (("touchStart", 40), ("touchMove", 60), ("touchMove", 80), ("touchEnd", None)):
        ends = [] if apart is None else [x - apart, x + apart]
        points = [{"x": end, "y": y, "id": k} for k, end in enumerate(ends)]
        page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    left, middle, right = (hovered(page, canvas, dx) for dx in (-80, 0, 80))
    assert [left, middle, right] == pytest.approx(where, abs=3)


@pytest.mark.parametrize("button", [True, False])
def test_single_pixels_are_those_of_the_screen(planes: Any, *, button: bool) -> None:
    """On a screen of two pixels for each of the page (CSS Values 4, section 6.2), by button and by key."""
    page, canvas = planes
    screen = {"width": 1280, "height": 900, "deviceScaleFactor": 2, "mobile": False}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    try:
        canvas.send_keys("0")
        if button:
            one_of(page, "button", "single pixels").click()
        else:
            canvas.send_keys("1")
        assert hovered(page, canvas, 50) - hovered(page, canvas, -50) == pytest.approx(200, abs=2)
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_numbers_are_those_of_the_region_that_was_asked_for_last(browser: Any, tmp_path: Path) -> None:
    """An answer that comes late, as for a large region, does not take the place of the one after it."""
    page = opened(browser, Project(write_halves(tmp_path / "out")), "planes")
    until(page, lambda: page.find_elements("css selector", ".region input"))
    page.execute_script(LATE, "/region/")
    for right in (800, 420):
        for name, edge in (("left", 100), ("upper", 80), ("right", right), ("lower", 300)):
            field = one_of(page, "spinbutton", f"{name} edge")
            page.execute_script("arguments[0].value = arguments[1];", field, edge)
        one_of(page, "button", "measure").click()
    until(page, lambda: page.find_elements("css selector", "table[aria-label^='Region of 320']"))
    page.execute_async_script("late(); setTimeout(arguments[0], 700);")
    assert page.find_elements("css selector", "table[aria-label^='Region of 320']")
    assert page.execute_script("return said.textContent;") == ""


def test_a_picture_that_was_made_anew_stays(
    browser: Any, project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the one before it comes late."""
    bold = Makes(project.folder, {"look": "bold"})
    monkeypatch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: bold)
    page = opened(browser, project, "run")
    page.execute_script(LATE, "/picture/files/")
    one_of(page, "link", "Picture").click()
    until(page, lambda: page.execute_script("return Boolean(late);"))
    project.start("picture")
    green = (
        "const c = document.querySelector('.seen canvas'); return c && c.getContext('2d')"
        ".getImageData(c.width / 2, c.height / 2, 1, 1).data[1];"
    )
    until(page, lambda: page.execute_script(green) == pytest.approx(LOOKS["bold"][1], abs=4))
    page.execute_async_script("late(); setTimeout(arguments[0], 300);")
    assert page.execute_script(green) == pytest.approx(LOOKS["bold"][1], abs=4)
