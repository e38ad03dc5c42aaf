"""Lights are counted with lights; calibration frames, and what was done without them, stand apart."""

import numpy as np
import pytest

from fourlight.recipe import Recipe
from fourlight.recipe_finish import Finish, Gradient
from fourlight.report import aside
from fourlight.report.calibration import applied, calibration_rows, dropped_later, not_applied
from fourlight.report.moments import moments
from fourlight.report.opening import heading
from fourlight.report.page import page
from invented_run import provenance, summary


def test_counts_of_used_frames_are_of_lights_only():
    said = heading(summary())
    assert dict(said["facts"])["Lights used"] == "22 of 25"
    assert said["lead"].startswith("22 lights of Lantern Nebula")
    assert "3 more lights were set aside, and 1 flat and 1 file of unknown kind" in said["lead"]
    assert len(moments(summary())) == 25


def test_calibration_frames_have_their_own_count():
    assert dict(heading(summary())["facts"])["Calibration frames"] == "20 bias frames"
    assert applied({"calibration": {"calibration_frames": {}}}) == "none"
    kinds = [row["kind"] for row in aside.table(summary())]
    assert kinds == ["light", "light", "light", "flat", "not known"]


def test_missing_flats_and_darks_are_said_plainly():
    assert not_applied(summary()).startswith("No flat and no dark was applied")
    rows = {kind: (number, done) for kind, number, done in calibration_rows(summary(), {})}
    assert rows["Flats"][0] == rows["Darks"][0] == "none"
    assert "No flat was applied" in rows["Flats"][1]
    assert "the bias was taken off instead" in rows["Darks"][1]
    assert rows["Defective samples"] == ("412", "Left out of the stack; found from the lights.")
    off = calibration_rows(summary(), {"calibrate": {"defects": "off"}})
    assert "off in the recipe" in off[-1][2]


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"dark": 24}, "Taken off all 24 lights."),
        ({"dark": 20, "bias": 4}, "Taken off 20 of 24 lights. No dark was applied to 4 of 24 lights"),
        ({"scaled dark": 24}, "Scaled to their exposure"),
        (
            {"lights": 24},
            "a level of 500.0 ADU was taken off all samples instead (from the lights themselves)",
        ),
        ({"none": 24}, "nothing was taken off"),
    ],
)
def test_what_was_taken_off_is_said(how, words):
    facts = summary()
    facts["calibration"]["offset_taken_off"] = how
    assert words in calibration_rows(facts, {})[0][2]


def test_flats_on_a_part_of_the_lights_are_said():
    facts = summary()
    facts["calibration"]["lights_with_flat"] = 23
    assert calibration_rows(facts, {})[1][2] == (
        "23 of 24 lights were divided by a flat. No flat was applied to the other 1 light."
    )
    assert not_applied(facts) == "No dark was applied; what was done instead is said below."


@pytest.mark.parametrize(("use", "order", "surface"), [(False, 2, False), (True, 0, False), (True, 2, True)])
def test_the_sky_surface_is_named_where_one_was_taken_off(use, order, surface):
    recipe = Recipe(finish=Finish(gradient=Gradient(use=use, order=order))).model_dump()
    done = calibration_rows(summary(), recipe)[1][2]
    assert done.startswith("No flat was applied: the light lost towards the corners")
    assert ("sky surface" in done) is surface


@pytest.mark.parametrize(
    ("how", "flats", "words"),
    [
        ({"bias": 24}, 0, "Taken off 24 lights."),
        ({"dark": 24}, 24, "Taken off the flats; the darks hold it for the lights."),
        (
            {"scaled dark": 24},
            24,
            "Taken off the darks before they were scaled to the exposure of the lights.",
        ),
        ({"header": 24}, 24, "Taken off the flats."),
    ],
)
def test_each_use_of_the_bias_has_its_own_words(how, flats, words):
    facts = summary()
    facts["calibration"] |= {"offset_taken_off": how, "lights_with_flat": flats}
    assert {kind: done for kind, _, done in calibration_rows(facts, {})}["Bias frames"] == words


def test_darks_that_do_not_fit_are_told_with_the_reason():
    facts = summary()
    facts["calibration"]["notes"] = [
        "6 darks (180 s, -20 C) left out: -20.0 C instead of -10.0 C.",
        "6 darks used.",
    ]
    assert not_applied(facts).endswith(
        "below. 6 darks (180 s, −20 °C) left out: −20.0 °C instead of −10.0 °C."
    )
    facts["calibration"]["offset_taken_off"] = {"dark": 24}
    assert "−20" not in not_applied(facts)


@pytest.mark.parametrize(
    ("lights", "used", "words"),
    [
        (2, 2, "Taken off both lights."),
        (1, 1, "Taken off the light."),
        (3, 3, "Taken off all 3 lights."),
    ],
)
def test_two_lights_are_both(lights, used, words):
    facts = summary()
    facts["calibration"]["offset_taken_off"] = {"dark": lights}
    facts["frames"] = facts["frames"][:used]
    assert {row[0]: row[2] for row in calibration_rows(facts, {})}["Darks"] == words
    assert dropped_later(facts) == ""


def test_lights_that_were_calibrated_and_set_aside_later_are_told():
    made = page(summary(), np.zeros((4, 6, 3), np.float32), {}, provenance())
    assert "24 lights were calibrated; 22 of them are in the stack, the other 2 were set aside later." in made
