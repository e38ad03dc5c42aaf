"""The finished picture in a real browser, by role and label: before and after, settings and their past, files."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.offers import order_for
from fourlight.pipeline.project import Project
from fourlight.recipe_finish import Finish
from job_orders import Fails, Makes, Steps
from page_browser import (
    all_of,
    one_of,
    opened,
    remarks,
    sized,
    text_of,
    until,
)
from page_manners import (
    test_everything_has_a_name as test_everything_has_a_name,
)
from page_manners import (
    test_it_fits_the_screen as test_it_fits_the_screen,
)
from page_manners import (
    test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground,
)
from web_browser import MARKS, screenshot, themed
from web_pictures import LOOKS, STEPS, write_picture
from web_results import write_results

pytestmark = MARKS

NEAR = 8
"""Brightness by which JPEG may be off."""


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Project]:
    out = tmp_path_factory.mktemp("page") / "out"
    project = Project(write_picture(write_results(out, (60, 80))))

    def order(folder: Path, sources: Any, kind: str, wish: Any = None) -> Makes:
        checked = order_for(folder, sources, kind, wish)
        return Makes(out, dict(checked.settings))  # type: ignore[attr-defined]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fourlight.pipeline.project.order_for", order)
        yield project
    project.jobs.close(1)


@pytest.fixture(scope="module")
def page(browser: Any, project: Project) -> Any:
    return opened(browser, project)


def colour_at(page: Any, x: float, y: float) -> list[int]:
    """Pixel of the picture's canvas at a place given as parts of its size."""
    script = (
        "const c = document.querySelector('canvas'); return [...c.getContext('2d').getImageData(arguments[0] * "
        "(c.width - 1), arguments[1] * (c.height - 1), 1, 1).data].slice(0, 3);"
    )
    return list(page.execute_script(script, x, y))


def shows(page: Any, x: float, y: float, colour: tuple[int, int, int] | None) -> None:
    """Wait until a place has a colour."""
    assert colour is not None
    wanted: tuple[int, int, int] = colour
    until(
        page,
        lambda: all(abs(a - b) < NEAR for a, b in zip(colour_at(page, x, y), wanted, strict=True)),
    )


def choose(page: Any, name: str, text: str) -> None:
    select = one_of(page, "combobox", name)
    select.find_element("xpath", f"./option[.='{text}']").click()


def put(page: Any, name: str, text: str) -> None:
    """Put a number into a field as a user does, and leave it."""
    from selenium.webdriver.common.keys import Keys

    field = one_of(page, "spinbutton", name)
    field.send_keys(Keys.CONTROL, "a")
    field.send_keys(text + Keys.TAB)


def test_the_finished_picture_is_what_is_seen_first(page: Any) -> None:
    assert one_of(page, "link", "Picture").get_attribute("aria-current") == "page"
    shows(page, 0.5, 0.5, LOOKS["clear"])
    assert one_of(page, "image", "the finished picture").is_displayed()
    assert "What gradient did." in page.find_element("css selector", ".notes").text
    assert remarks(page) == []


def test_before_and_after_part_at_an_edge_that_moves(page: Any) -> None:
    choose(page, "before", "The stack")
    choose(page, "after", "Sky taken off")
    shows(page, 0.4, 0.5, STEPS["stack"])
    shows(page, 0.6, 0.5, STEPS["gradient"])
    assert one_of(page, "image", "left The stack, right Sky taken off").is_displayed()
    assert page.find_element("css selector", ".notes").text == "What gradient did."
    from selenium.webdriver.common.keys import Keys

    edge = one_of(page, "slider", "edge between before and after")
    edge.send_keys(Keys.HOME)
    shows(page, 0.4, 0.5, STEPS["gradient"])
    edge.send_keys(Keys.END)
    shows(page, 0.6, 0.5, STEPS["stack"])


def test_the_edge_is_drawn_with_the_pointer_and_the_field_beside_it(page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    canvas = one_of(page, "image")
    edge = one_of(page, "slider", "edge between before and after")
    page.execute_script("arguments[0].value = 50; arguments[0].dispatchEvent(new Event('input'));", edge)
    width = canvas.size["width"]
    ActionChains(page).move_to_element(canvas).click_and_hold().move_by_offset(
        width // 4, 0
    ).release().perform()
    until(page, lambda: 70 < float(edge.get_attribute("value")) < 80)
    shows(page, 0.6, 0.5, STEPS["stack"])


def spot(page: Any) -> list[float]:
    """Number of bright pixels of the canvas, and their middle; the edge, which is bright too, stands at a rim."""
    page.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]));")
    script = (
        "const c = document.querySelector('canvas'); const w = c.width - 40; "
        "const d = c.getContext('2d').getImageData(20, 0, w, c.height).data; let n = 0, x = 0, y = 0; "
        "for (let k = 0; k < d.length; k += 4) if (d[k + 1] > 150) "
        "{ n += 1; x += (k / 4) % w; y += Math.floor(k / 4 / w); } return [n, x / n, y / n];"
    )
    return list(page.execute_script(script))


def test_both_sides_follow_zoom_and_place(page: Any) -> None:
    """A bright spot of both pictures is at one place and of one size, whichever of them is seen there."""
    from selenium.webdriver.common.keys import Keys

    canvas = one_of(page, "image")
    edge = one_of(page, "slider", "edge between before and after")
    seen = {}
    nearer = "+" + Keys.SHIFT + Keys.ARROW_LEFT + Keys.ARROW_UP
    for keys in ("0", nearer):
        canvas.send_keys(keys)
        for side in (Keys.HOME, Keys.END):
            edge.send_keys(side)
            seen[keys, side] = spot(page)
        first, second = seen[keys, Keys.HOME], seen[keys, Keys.END]
        assert first[0] == pytest.approx(second[0], rel=0.15)
        assert first[1:] == pytest.approx(second[1:], abs=5), "half a pixel of the picture"
    whole, zoomed = seen["0", Keys.HOME], seen[nearer, Keys.HOME]
    assert zoomed[0] == pytest.approx(4 * whole[0], rel=0.15)
    canvas.send_keys("0")
    choose(page, "before", "nothing")
    choose(page, "after", "Finished, every pixel")


def test_settings_have_the_labels_and_help_of_the_recipe(page: Any) -> None:
    radio = one_of(page, "radio", "clear")
    assert radio.is_selected()
    for details in page.find_elements("css selector", ".settings details:not([open]) > summary"):
        details.click()
    order = one_of(page, "spinbutton", "gradient: order")
    assert [order.get_attribute(name) for name in ("value", "min", "max", "step")] == ["2", "0", "4", "1"]
    about = page.find_element("id", order.get_attribute("aria-describedby"))
    assert about.text == "Order of the surface"
    assert one_of(page, "checkbox", "gradient: use").is_selected()
    unset = one_of(page, "spinbutton", "stretch: saturation")
    assert (unset.get_attribute("value"), unset.get_attribute("placeholder")) == ("", "1.3")
    assert one_of(page, "textbox", "frame: crop").get_attribute("value") == ""
    fields = page.find_elements("css selector", ".settings [data-path]")
    named = {field.get_attribute("data-path") for field in fields}
    assert named == set(paths(Finish().model_dump()))


def paths(settings: dict[str, Any], above: str = "") -> Iterator[str]:
    for key, value in settings.items():
        if isinstance(value, dict):
            yield from paths(value, f"{above}{key}.")
        else:
            yield f"{above}{key}"


def test_settings_are_undone_and_chosen_again(page: Any) -> None:
    undo, redo = one_of(page, "button", "undo"), one_of(page, "button", "redo")
    assert not undo.is_enabled()
    one_of(page, "radio", "bold").click()
    assert one_of(page, "spinbutton", "stretch: saturation").get_attribute("placeholder") == "2"
    put(page, "gradient: order", "1")
    undo.click()
    assert one_of(page, "spinbutton", "gradient: order").get_attribute("value") == "2"
    assert one_of(page, "radio", "bold").is_selected()
    undo.click()
    assert one_of(page, "radio", "clear").is_selected()
    assert not undo.is_enabled()
    redo.click()
    assert one_of(page, "radio", "bold").is_selected()
    page.find_element("xpath", "//summary[.='Settings of this session']").click()
    assert [button.text for button in page.find_elements("css selector", ".past button")] == [
        "as the picture was", "look: bold", "gradient order: 1",
    ]  # fmt: skip
    one_of(page, "button", "gradient order: 1").click()
    assert page.switch_to.active_element.text == "gradient order: 1", "keys go on from there"
    assert one_of(page, "spinbutton", "gradient: order").get_attribute("value") == "1"
    page.refresh()
    until(page, lambda: one_of(page, "radio", "bold").is_selected())


def test_the_picture_is_made_anew_with_what_is_chosen(page: Any, project: Project) -> None:
    one_of(page, "button", "Make the picture anew").click()
    text_of(page, "status", "Make the picture anew: done (")
    shows(page, 0.5, 0.5, LOOKS["bold"])
    facts = project.summary()["picture"]["settings"]
    assert (facts["look"], facts["gradient"]["order"]) == ("bold", 1)
    until(page, lambda: one_of(page, "button", "Make the picture anew").is_enabled())


def test_a_setting_that_cannot_be_is_told(page: Any) -> None:
    for summary in page.find_elements("css selector", ".settings details:not([open]) > summary"):
        summary.click()
    put(page, "denoise: strength", "7")
    one_of(page, "button", "Make the picture anew").click()
    assert "denoise.strength = 7" in text_of(page, "status", "denoise.strength")
    assert [remark["source"] for remark in remarks(page)] == ["network"], "the browser tells of every refusal"
    one_of(page, "button", "undo").click()


def test_files_are_offered_by_name(page: Any) -> None:
    names = [link.accessible_name for link in all_of(page, "link", "picture.")]
    assert names == ["picture.jpg", "picture.png", "picture.tif"]


@pytest.mark.parametrize("width", [1280, 820])
def test_the_picture_has_room(page: Any, width: int) -> None:
    sized(page, width)
    assert one_of(page, "image").size["height"] > 250
    sized(page, 1280)


def test_red_for_the_dark_is_red_in_the_pixels(page: Any) -> None:
    themed(page, "night")
    choose(page, "before", "The stack")
    until(page, lambda: colour_at(page, 0.3, 0.5)[1:] == [0, 0] and colour_at(page, 0.3, 0.5)[0] > 40)
    assert colour_at(page, 0.7, 0.5)[1:] == [0, 0]
    shot = screenshot(page)
    assert shot[..., 1:].max() == 0
    assert shot[..., 0].max() > 150
    themed(page, "dark")
    shows(page, 0.3, 0.5, STEPS["stack"])
    assert remarks(page) == []


def asked(page: Any, name: str) -> int:
    """How often an address of this name was answered."""
    script = (
        "return performance.getEntriesByType('resource')"
        ".filter((each) => new URL(each.name).pathname.endsWith(arguments[0])).length;"
    )
    return int(page.execute_script(script, name))


def test_a_picture_of_a_job_that_failed_afterwards_is_shown(page: Any, project: Project) -> None:
    """And no other job brings it again."""
    shows(page, 0.7, 0.5, LOOKS[project.summary()["picture"]["look"]])
    page.execute_script("performance.clearResourceTimings();")
    write_picture(project.folder, {"look": "rich"})
    project.jobs.start(Fails())
    text_of(page, "status", "Fail: failed")
    shows(page, 0.7, 0.5, LOOKS["rich"])
    assert (asked(page, "/picture"), asked(page, "/picture.jpg")) == (1, 1)
    project.jobs.start(Steps())
    until(page, lambda: asked(page, "/picture") == 2)
    time.sleep(0.5)  # for a request that would come after the answer
    assert asked(page, "/picture.jpg") == 1
