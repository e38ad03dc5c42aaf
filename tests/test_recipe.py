"""The recipe: defaults round trip, unknown keys name the nearest, bounds hold, text is TOML."""

import contextlib
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fourlight.errors import RecipeError
from fourlight.recipe import Recipe, fields, loads, sections, with_settings
from fourlight.recipe_toml import defaults_toml


def test_defaults_written_as_toml_are_the_defaults():
    text = defaults_toml()
    assert loads(text) == Recipe() == loads("")
    data = tomllib.loads(text)
    for section, key, _ in fields():
        inside = data
        for part in section.split("."):
            inside = inside[part]
        # every setting stands there, those without a value as a comment
        assert key in inside or f"# {key} =" in text, f"{section}.{key}"
    assert set(data) == set(Recipe.model_fields)


def test_every_setting_has_a_help_sentence():
    assert "finish.gradient" in dict(sections())
    for section, key, field in fields():
        assert len(field.description or "") > 10, f"{section}.{key}"


@pytest.mark.parametrize(
    ("text", "field", "words"),
    [
        ("[integrate]\npixfrak = 1.0", "integrate.pixfrak", "did you mean integrate.pixfrac"),
        ("[integrat]\npixfrac = 1.0", "integrat", "did you mean integrate"),
        ("[integrate]\npixfrac = 0", "integrate.pixfrac", "0.1 to 2"),
        ("[integrate]\npixfrac = 2.5", "integrate.pixfrac", "0.1 to 2"),
        ("[integrate]\nsky_order = 1.5", "integrate.sky_order", "whole number"),
        ("[integrate]\nreject_sigma = nan", "integrate.reject_sigma", "finite"),
        ("[integrate]\nreject_sigma = inf", "integrate.reject_sigma", "finite"),
        ("[read]\nmosaic = 'RGBG'", "read.mosaic", "RGGB, BGGR, GRBG or GBRG"),
        ("[run]\nthreads = -1", "run.threads", "at least 0"),
        ("integrate = 3", "integrate", "must be a section"),
        ("[read", "", "not valid TOML"),
        ("[a]\nb=1\n[a]\nb=2", "", "not valid TOML"),
    ],
)
def test_bad_recipes_say_which_setting_and_what_is_allowed(text, field, words):
    with pytest.raises(RecipeError) as caught:
        loads(text)
    assert caught.value.field == field
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("look", "guess"),
    [("Bold", "; did you mean bold?"), ("cler", "; did you mean clear?"), ("nice", ""), ("3", ""), ("", "")],
)
def test_a_look_that_is_none_is_guessed_where_it_is_near_one(look, guess):
    with pytest.raises(RecipeError) as caught:
        with_settings(Recipe(), [f"finish.look={look}"])
    assert str(caught.value).endswith(f"must be plain, clear, rich or bold{guess}")


def test_a_word_as_near_to_one_as_to_another_is_not_guessed():
    with pytest.raises(RecipeError, match=r"or GBRG$"):
        loads("[read]\nmosaic = 'RGBG'")


@pytest.mark.parametrize(
    ("crop", "words"),
    [
        ("[1, 2, 3]", "must be [x0, y0, x1, y1], four whole numbers such as [40, 20, 380, 260]; 3 are given"),
        (
            "[1, 2, 3, 4, 5]",
            "must be [x0, y0, x1, y1], four whole numbers such as [40, 20, 380, 260]; 5 are given",
        ),
        ("10,20,300,300", "such as [40, 20, 380, 260]; no list is given"),
        ("[300, 20, 10, 300]", "x0 = 300, y0 = 20, x1 = 10, y1 = 300; [x0, y0, x1, y1] with x0 less than x1"),
        ("[10, 20, 10, 300]", "with x0 less than x1 and y0 less than y1 are needed"),
    ],
)
def test_a_crop_that_is_none_shows_what_one_is(crop, words):
    with pytest.raises(RecipeError) as caught:
        with_settings(Recipe(), [f"finish.frame.crop={crop}"])
    assert caught.value.field == "finish.frame.crop"
    assert words in str(caught.value)


def test_a_crop_and_a_value_in_it_that_is_no_number():
    assert with_settings(Recipe(), ["finish.frame.crop=[-3, 20, 300, 300]"]).finish.frame.crop == (
        -3,
        20,
        300,
        300,
    )
    with pytest.raises(RecipeError, match="must be a whole number"):
        with_settings(Recipe(), ["finish.frame.crop=[1, 2, 3.5, 4]"])


def test_every_fault_of_a_recipe_is_told_with_the_name_of_the_file():
    with pytest.raises(RecipeError) as caught:
        loads("[integrate]\npixfrac = 3\n[run]\nthreads = 'x'\n[finish.denoise]\nstrenght = 1", "mine.toml")
    words = str(caught.value)
    assert words.startswith("mine.toml: integrate.pixfrac = 3: must be 0.1 to 2; and ")
    assert "run.threads = 'x': must be a whole number" in words
    assert "finish.denoise.strenght = 1: no such setting; did you mean finish.denoise.strength?" in words


def test_a_mosaic_may_be_written_in_any_case():
    assert loads("[read]\nmosaic = 'gbrg'").read.mosaic == "GBRG"
    assert loads("[read]\nmosaic = 'Auto'").read.mosaic == "auto"


@pytest.mark.parametrize(
    ("setting", "section", "key", "value"),
    [
        ("integrate.pixfrac=0.8", "integrate", "pixfrac", 0.8),
        ("read.filter=Dual band", "read", "filter", "Dual band"),
        ('read.filter="1"', "read", "filter", "1"),
        (" run.threads = 3 ", "run", "threads", 3),
        ("run.keep_work=true", "run", "keep_work", True),
        ("finish.denoise.strength=0.5", "finish.denoise", "strength", 0.5),
        ("registration.reference=a=b.fits", "registration", "reference", "a=b.fits"),
    ],
)
def test_settings_of_the_command_line(setting, section, key, value):
    found = with_settings(Recipe(), [setting])
    for part in section.split("."):
        found = getattr(found, part)
    assert getattr(found, key) == value


def test_a_setting_outranks_the_recipe_and_others_stay():
    recipe = with_settings(loads("[measure]\ncell_px = 32\n[run]\nthreads = 1"), ["run.threads=2"])
    assert (recipe.run.threads, recipe.measure.cell_px) == (2, 32)


def test_a_setting_with_two_values_is_refused():
    with pytest.raises(RecipeError, match=r"run\.threads: given twice, as 1 and as 2; give it once"):
        with_settings(Recipe(), ["run.threads=1", "run.keep_work=true", " run.threads = 2"])
    assert with_settings(Recipe(), ["run.threads=1", "run.threads = 1"]).run.threads == 1


@pytest.mark.parametrize(
    "setting", ["pixfrac", "pixfrac=1", "integrate.pixfrac", "=", "integrate.=1", ".x=1", ""]
)
def test_malformed_settings(setting):
    with pytest.raises(RecipeError):
        with_settings(Recipe(), [setting])


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_is_a_recipe_or_one_clear_error(name, value):
    for make in (lambda: loads(f"{name} = {value}"), lambda: with_settings(Recipe(), [f"{name}={value}"])):
        with contextlib.suppress(RecipeError):
            assert isinstance(make(), Recipe)


def test_a_recipe_cannot_be_changed():
    with pytest.raises(ValueError, match="frozen"):
        Recipe().run.threads = 4
