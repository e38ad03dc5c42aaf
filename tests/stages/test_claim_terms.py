"""Words of claims."""

from __future__ import annotations

import pytest

from fourlight.settings import nearest
from fourlight.stages.claim_terms import GROUPS, QUANTITIES, TREATMENTS, side


def test_no_word_stands_for_two_things() -> None:
    assert not set(GROUPS) & set(TREATMENTS)
    assert [side(name).kind for name in GROUPS] == ["group"] * len(GROUPS)
    assert [side(name).kind for name in TREATMENTS] == ["treatment"] * len(TREATMENTS)


def test_a_night_is_a_group_by_its_date() -> None:
    assert side("night 2031-08-19").words == "lights of night 2031-08-19"
    with pytest.raises(ValueError, match="no such side"):
        side("night 19.8.2031")


def test_quantities_that_are_reckoned_name_what_from() -> None:
    assert all(set(each.made_of) <= set(QUANTITIES) for each in QUANTITIES.values())


def test_where_nothing_is_near_all_are_named() -> None:
    assert nearest("zzz", ["noise", "sky"], "such quantity") == "no such quantity; known are noise, sky"
