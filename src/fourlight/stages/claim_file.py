"""Claims as they are declared: those that the program ships, and a user's own in a TOML file with the same keys."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from importlib import resources
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from fourlight.errors import RecipeError
from fourlight.settings import Section, nearest, validated
from fourlight.stages.claim_terms import COVARIATES, QUANTITIES, Side, side
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.toml_text import parsed

__all__ = ["Claim", "chosen", "loads", "shipped", "with_own"]

Compare = Literal["share", "ratio", "difference", "slope", "unevenness"]
Direction = Literal["more", "less", "either"]

NEAREST = 3
"""Names of claims that are told where there is none of the name that was asked for."""
CHOSEN_BY = ("information", "information_per_hour", "weight", "signal")
"""Quantities that best and worst lights differ in because they are chosen by them."""


class Claim(Section):
    """One small test: what is compared with what, against which null, and how much would matter."""

    name: Annotated[str, Field(min_length=1, max_length=80, description="The claim, as it would be said")]
    question: Annotated[str, Field(min_length=1, description="The question that it answers")]
    quantity: Annotated[str, Field(description="What is compared")]
    compare: Annotated[Compare, Field(description="How the two sides are compared")]
    of: Annotated[str, Field(description="First side: planes, a group of lights or a treatment")] = (
        "all lights"
    )
    against: Annotated[str, Field(description="Second side, of the same kind; a slope has none")] = ""
    over: Annotated[str, Field(description="What a slope is taken over")] = ""
    step: Annotated[float, Field(gt=0, description="Step of what a slope is taken over")] = 1.0
    planes: Annotated[
        tuple[str, ...], Field(min_length=1, description="Planes in which groups or treatments are compared")
    ] = ("R", "G", "B")
    among: Annotated[str, Field(description="Group of lights in which planes are compared")] = "all lights"
    at_equal: Annotated[
        tuple[str, ...], Field(description="What else lights differ in, and what is allowed for")
    ] = ()
    null: Annotated[float, Field(description="The effect where there is nothing to the claim")]
    matters: Annotated[float, Field(description="The smallest effect that matters")]
    direction: Annotated[Direction, Field(description="Which side of the null the claim is on")]
    night_scatter: Annotated[
        float,
        Field(
            ge=0,
            le=1,
            description="Relative scatter of nights for causes of their own, where too few nights are there to show it",
        ),
    ] = 0.0
    least_lights: Annotated[int, Field(ge=6, description="Lights that each side needs")] = 8
    least_nights: Annotated[int, Field(ge=1, description="Nights that the comparison needs")] = 1

    @field_validator("quantity")
    @classmethod
    def _quantity(cls, name: str) -> str:
        if name not in QUANTITIES:
            raise ValueError(nearest(name, QUANTITIES, "such quantity"))
        return name

    @field_validator("of", "against", "among")
    @classmethod
    def _side(cls, name: str) -> str:
        return side(name).name if name else name

    @field_validator("planes")
    @classmethod
    def _planes(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        for name in names:
            if name not in OUTPUT_PLANES:
                raise ValueError(nearest(name, OUTPUT_PLANES, f"such plane as {name!r}"))
        if len(set(names)) < len(names):
            raise ValueError("a plane stands there twice")
        return names

    @field_validator("over", "at_equal")
    @classmethod
    def _covariate(cls, given: str | tuple[str, ...]) -> str | tuple[str, ...]:
        for name in (given,) if isinstance(given, str) else given:
            if name and name not in COVARIATES:
                raise ValueError(nearest(name, COVARIATES, "such thing to allow for"))
        return given

    @model_validator(mode="after")
    def _fits(self) -> Self:
        faults = [
            words for fits, words in (*self._sides_fit(), *self._words_fit(), *self._sizes_fit()) if not fits
        ]
        if faults:
            raise ValueError(f"{self.name!r}: {faults[0]}")
        return self

    def _sides_fit(self) -> Iterable[tuple[bool, str]]:
        one, quantity, slope = self.first.kind, QUANTITIES[self.quantity], self.compare == "slope"
        yield slope == (not self.against), "a slope has no against, and all else needs one"
        yield slope == bool(self.over), "a slope needs over, and nothing else has it"
        yield slope or self.second.kind == one, f"{self.of} and {self.against} are not of one kind"
        yield slope or self.of != self.against, f"{self.of} is compared with itself"
        yield (
            not slope or one == "group",
            "the slope is taken in a group of lights, such as of = 'all lights'",
        )
        yield self.compare != "share" or one == "planes", "a share is that of planes in planes"
        yield (
            self.compare != "share" or _parts(self.first) < _parts(self.second),
            (f"{self.of} is no part of {self.against}"),
        )
        yield (
            self.compare != "unevenness" or (one == "treatment" and len(_twins(self.planes)) == 2),
            ("unevenness compares treatments, in two planes that share no samples"),
        )
        yield (
            (quantity.patches if one == "treatment" else quantity.lights),
            (f"{self.quantity} is not known of {'patches' if one == 'treatment' else 'lights'}"),
        )
        yield (
            quantity.adds or not any("+" in name for name in (self.of, self.against)) or one != "planes",
            (f"{self.quantity} of planes does not add up"),
        )

    def _words_fit(self) -> Iterable[tuple[bool, str]]:
        one = self.first.kind
        yield (
            not self.at_equal or (one == "group" and self.compare in ("ratio", "slope")),
            ("at_equal is for ratios of groups and slopes"),
        )
        yield (
            not self.night_scatter or (one == "group" and self.compare == "ratio"),
            ("night_scatter is for ratios of groups"),
        )
        yield self.quantity not in (*self.at_equal, self.over), f"{self.quantity} at equal {self.quantity}"
        yield (
            (self.of == "each night") == (self.against == "other nights"),
            ("each night is compared with other nights, and they with nothing else"),
        )
        yield (
            side(self.among).kind == "group" and self.among not in ("each night", "other nights"),
            (f"among is a group of lights, not {self.among}"),
        )
        picked = {"best", "worst", "rest"} & {self.of, self.against}
        yield (
            not (picked and self.quantity in CHOSEN_BY),
            (f"best and worst lights are chosen by what they bring: {self.quantity} differs by choice"),
        )

    def _sizes_fit(self) -> Iterable[tuple[bool, str]]:
        ratio = self.compare in ("ratio", "slope")
        yield not ratio or min(self.null, self.matters) > 0, "null and matters of a ratio are above 0"
        yield (
            COVARIATES.get(self.over) != "times" or self.step > 1,
            f"step over {self.over} is a factor, such as 2",
        )
        yield (
            self.compare != "share" or all(0 < x < 1 for x in (self.null, self.matters)),
            ("null and matters of a share are between 0 and 1"),
        )
        yield (
            self.compare != "share"
            or self.quantity in ("signal", "information", "information_per_hour", "weight"),
            (f"{self.quantity} has no shares"),
        )
        given = f"here matters is {self.matters:g} and null {self.null:g}"
        yield (
            self.direction != "more" or self.matters >= self.null,
            f"direction is more, which needs matters at null or above it; {given}",
        )
        yield (
            self.direction != "less" or self.matters <= self.null,
            f"direction is less, which needs matters at null or below it; {given}",
        )
        yield self.direction != "either" or self.matters != self.null, "matters must differ from null"
        yield (
            self.compare != "unevenness" or (self.direction == "more" and self.null >= 0),
            ("unevenness is more than null, which is 0 or above"),
        )

    @property
    def first(self) -> Side:
        return side(self.of)

    @property
    def second(self) -> Side:
        return side(self.against or self.of)


def _parts(given: Side) -> set[str]:
    """Planes with G told apart into its samples."""
    return {part for plane in given.planes for part in (("G1", "G2") if plane == "G" else (plane,))}


def _twins(planes: Sequence[str]) -> tuple[str, ...]:
    """The planes where no two of them share samples."""
    apart = [_parts(Side("planes", plane)) for plane in planes]
    return tuple(planes) if sum(map(len, apart)) == len(set().union(*apart)) else ()


class _Claims(Section):
    """A file of claims."""

    claims: Annotated[tuple[Claim, ...], Field(min_length=1, description="Claims, in order")]


def loads(text: str, source: str = "claims") -> tuple[Claim, ...]:
    """Claims from TOML text; ``source`` is the name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key, quantity, plane, group or treatment (the nearest known one is named), or sides that
        cannot be compared.
    """
    known = ["claims", *(f"claims.{key}" for key in Claim.model_fields)]
    data = parsed(text, source)
    if not data:
        raise RecipeError(
            "", None, "there is nothing in it; write a [[claims]] table for every claim", source
        )
    found = validated(_Claims, data, known, source).claims
    names = [claim.name for claim in found]
    for name in names:
        if names.count(name) > 1:
            raise RecipeError("claims", name, "two claims have this name; give each its own", source)
    return found


def shipped() -> tuple[Claim, ...]:
    """The claims that the program comes with.

    >>> shipped()[0].name
    'green is idle'
    """
    text = resources.files("fourlight.data").joinpath("claims.toml").read_text("utf-8")
    return loads(text, "claims.toml")


def with_own(claims: Sequence[Claim], own: Sequence[Claim]) -> tuple[Claim, ...]:
    """Claims and a user's own; one of the same name takes the other's place."""
    named = {claim.name: claim for claim in own}
    kept = [named.pop(claim.name, claim) for claim in claims]
    return (*kept, *named.values())


def chosen(claims: Sequence[Claim], names: Sequence[str], source: str = "--claim") -> tuple[Claim, ...]:
    """Claims of these names, or where there is none of the name those that begin like it, in their own order.

    Raises
    ------
    RecipeError
        No claim has such a name; the nearest ones are named.
    """
    found = set()
    for name in names:
        begins = [c.name for c in claims if name and c.name.casefold().startswith(name.casefold())]
        like = [known for known in begins if known.casefold() == name.casefold()] or begins
        if not like:
            raise RecipeError("", None, _none_such(name, [claim.name for claim in claims]), source)
        found.update(like)
    return tuple(claim for claim in claims if claim.name in found)


def _none_such(name: str, known: Sequence[str]) -> str:
    """That no claim has this name, those that come nearest, and where all of them stand.

    >>> _none_such("moon", ["green is idle", "the Moon night hurt", "darks were needed"])
    "'moon': no such claim; nearest is 'the Moon night hurt'; fourlight claims --list names all"
    """

    def likeness(other: str) -> tuple[bool, float]:
        given, held = name.casefold(), other.casefold()
        return bool(given) and given in held, difflib.SequenceMatcher(None, given, held).ratio()

    order = sorted(known, key=likeness, reverse=True)
    holding = [other for other in order[:NEAREST] if likeness(other)[0]]
    near = ", ".join(repr(other) for other in holding or order[:NEAREST])
    said = f"nearest {'is' if len(holding) == 1 else 'are'} {near}"
    return f"{name!r}: no such claim; {said}; fourlight claims --list names all"
