"""Claims as declared: what is shipped, and one clear line for what cannot be used."""

from __future__ import annotations

import re

import pytest

from fourlight.errors import RecipeError
from fourlight.stages.claim_file import Claim, chosen, loads, shipped, with_own

GOOD = """
[[claims]]
name = "red is wide"
question = "Is it?"
quantity = "width_px"
compare = "ratio"
of = "R"
against = "G"
null = 1
matters = 1.02
direction = "more"
"""

FIRST_SET = (
    "green is idle", "one green is enough", "the Moon night hurt", "darks were needed", "flats were needed",
    "rejecting the worst frames helped", "more subs would still help", "red is blurrier than green",
    "the finer output grid gained resolution", "one night differed from the others", "cooling mattered",
)  # fmt: skip


def test_the_questions_that_everybody_asks_are_shipped() -> None:
    assert set(FIRST_SET) <= {claim.name for claim in shipped()}
    assert all(claim.question.endswith("?") for claim in shipped())


def test_a_file_of_ones_own_has_the_same_keys() -> None:
    (own,) = loads(GOOD, "mine.toml")
    assert (own.of, own.matters, own.planes) == ("R", 1.02, ("R", "G", "B"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('quantity = "width_px"', 'quantty = "width_px"', "quantty of claim 1.*did you mean quantity"),
        ('"width_px"', '"width"', "quantity of claim 1 = 'width': no such quantity; did you mean width_px"),
        ('of = "R"', 'of = "moonlt"', "'of' of claim 1 = 'moonlt': no such side; did you mean moonlit"),
        ('of = "R"', 'of = "no darkz"', "did you mean no darks"),
        ('of = "R"', 'of = "G1+G"', "a plane counts twice"),
        ('of = "R"', 'of = "no darks"', "no darks and G are not of one kind"),
        ('of = "R"', 'of = "G"', "G is compared with itself"),
        ('of = "R"', 'of = "R+B"', "width_px of planes does not add up"),
        ('"ratio"', '"share"', "R is no part of G"),
        ('"ratio"', '"quotient"', "must be share, ratio, difference, slope or unevenness"),
        ('"ratio"', '"slope"', "a slope has no against"),
        ("null = 1\n", "", "null of claim 1: must be given"),
        ("null = 1\n", "null = 0\n", "null and matters of a ratio are above 0"),
        ("null = 1\n", "null = 1.1\n", "needs matters at null or above it; here matters is 1.02 and null 1.1"),
        ('"more"', '"less"', "needs matters at null or below it; here matters is 1.02 and null 1"),
        ('"more"', '"up"', "must be more, less or either"),
        ("null = 1\n", 'null = 1\nplanes = ["X"]\n', "no such plane as 'X'; known are R, G1, G2, B, G"),
        ("null = 1\n", 'null = 1\nat_equal = ["sky"]\n', "at_equal is for ratios of groups"),
        ("null = 1\n", 'null = 1\nat_equal = ["skye"]\n', "no such thing to allow for; did you mean sky"),
        ("null = 1\n", "null = 1\nnight_scatter = 0.1\n", "night_scatter is for ratios of groups"),
        ("null = 1\n", "null = 1\nleast_lights = 3\n", "least_lights of claim 1 = 3: must be at least 6"),
        ("null = 1\n", 'null = 1\namong = "G"\n', "among is a group of lights, not G"),
        ("[[claims]]", "[[claim]]", "claim: no such setting; did you mean claims"),
        ('name = "red is wide"', 'name = "red is wide', "line 3, .* is not valid TOML"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_gets_one_line(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(RecipeError, match=said) as found:
        loads(GOOD.replace(old, new), "mine.toml")
    assert str(found.value).startswith("mine.toml: ")
    assert "\n" not in str(found.value)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"of": "worst", "against": "best", "quantity": "information"}, "differs by choice"),
        ({"of": "no darks", "against": "as run", "quantity": "sky"}, "sky is not known of patches"),
        ({"of": "no flats", "against": "as run", "quantity": "signal", "compare": "unevenness", "null": 0,
          "planes": ("G", "G1")}, "two planes that share no samples"),
        ({"of": "each night", "against": "dark"}, "each night is compared with other nights"),
        ({"of": "warm", "against": "cold", "quantity": "sky", "at_equal": ("sky",)}, "sky at equal sky"),
        ({"of": "all lights", "against": "", "compare": "slope", "over": "sky"}, "step over sky is a factor"),
        ({"of": "G", "against": "R+G+B", "quantity": "information", "compare": "share"}, "between 0 and 1"),
        ({"direction": "either", "matters": 1.0}, "matters must differ from null"),
    ],
)  # fmt: skip
def test_sides_that_tell_nothing_are_refused(changes: dict, said: str) -> None:
    plain = {**loads(GOOD)[0].model_dump(), **changes}
    with pytest.raises(ValueError, match=said):
        Claim(**plain)


def test_two_claims_of_one_name_are_refused() -> None:
    with pytest.raises(RecipeError, match="two claims have this name"):
        loads(GOOD + GOOD)


def test_a_users_claim_takes_the_place_of_one_of_its_name() -> None:
    (own,) = loads(GOOD.replace("red is wide", "red is blurrier than green"))
    found = with_own(shipped(), [own, *loads(GOOD)])
    assert [claim.name for claim in found] == [*(claim.name for claim in shipped()), "red is wide"]
    assert own in found


def test_claims_are_chosen_by_how_their_names_begin() -> None:
    assert [claim.name for claim in chosen(shipped(), ["rejecting", "Green"])] == [
        "green is idle", "rejecting the worst frames helped", "rejecting the worst frames sharpened",
    ]  # fmt: skip
    with pytest.raises(
        RecipeError, match=re.escape("'dark were needed': no such claim; nearest are 'darks were needed', ")
    ):
        chosen(shipped(), ["dark were needed"])


@pytest.mark.parametrize(
    ("name", "first"),
    [("nope", "'"), ("", "'"), ("darks needed", "'darks were needed'"), ("gren is idle", "'green is idle'")],
)
def test_three_names_at_most_are_told_where_there_is_no_such_claim(name: str, first: str) -> None:
    with pytest.raises(RecipeError) as told:
        chosen(shipped(), [name])
    said = str(told.value)
    assert f"{name!r}: no such claim; nearest are {first}" in said
    assert said.endswith("; fourlight claims --list names all")
    assert sum(claim.name in said for claim in shipped()) == 3
    assert len(said) < 200


def test_a_word_of_the_name_is_enough_to_find_it() -> None:
    with pytest.raises(RecipeError, match=re.escape("nearest is 'the Moon night hurt'; fourlight")):
        chosen(shipped(), ["MOON"])
