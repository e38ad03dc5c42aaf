"""Forms of the page for plans: which fields they have, and what of their content can be taken.

A browser names no file: cameras, filters and setups come by the names of lists, everything else is numbers and words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from functools import cache
from typing import Annotated, Any, TypeVar

from pydantic import Field

from fourlight.errors import InputError
from fourlight.pipeline.plans_asked import CompareAsked, PlanAsked, SubsAsked
from fourlight.pipeline.rigs import OwnFile
from fourlight.pipeline.setups import setup_names
from fourlight.sensor.filters import FILTERS
from fourlight.sensor.sensors import names as sensor_names
from fourlight.settings import Section, validated
from fourlight.stages.plan_light import KINDS

__all__ = ["FORMS", "WhatIfAsked", "asked_from", "field_names", "form_schemas"]

Form = TypeVar("Form", bound=Section)

MOST_LETTERS = 200
"""Of one field."""
SPLIT = {"line": r"[,;\s]+(?=[A-Za-z])", "moon": r"[;\s]+"}
"""What parts the entries of fields, where these hold several."""


class WhatIfAsked(Section):
    """What the lights of this run would have given."""

    sky: Annotated[
        str | None,
        Field(description="A sky of so many V mag per square arcsec, or so many times as bright, as x2"),
    ] = None
    moon: Annotated[
        str | None, Field(description="A Moon: lit share, angle from the target and altitude: 0.5,90,40")
    ] = None
    subs: Annotated[int | None, Field(description="So many lights, chosen evenly over time")] = None
    drop_channel: Annotated[str | None, Field(description="Leave a channel out")] = None
    was: Annotated[
        float | None, Field(description="The sky that the lights had, where no stars of theirs tell it")
    ] = None
    altitude: Annotated[float | None, Field(description="Altitude of the target, degrees")] = None
    extinction: Annotated[float | None, Field(description="What air takes of V per air mass, mag")] = None


FORMS: dict[str, type[Section]] = {
    "night": PlanAsked, "subs": SubsAsked, "compare": CompareAsked, "whatif": WhatIfAsked
}  # fmt: skip


def form_schemas(own: OwnFile) -> dict[str, Any]:
    """JSON schema of each form, with the names that there are."""
    chosen = _names(own)
    found = {name: form.model_json_schema() for name, form in FORMS.items()}
    for schema in found.values():
        for section in (schema, *schema.get("$defs", {}).values()):
            for key, names in chosen.items():
                if key in section.get("properties", {}):
                    section["properties"][key] |= {"enum": ["", *names], "select": True}
    if own.things.site:
        found["subs"]["properties"]["sky"]["default"] = next(iter(own.things.site.values())).sky_mag
    return found


def _names(own: OwnFile) -> dict[str, list[str]]:
    return {
        "camera": [*own.things.camera, *(name for name in sensor_names() if name not in own.things.camera)],
        "filter": list(FILTERS),
        "kind": list(KINDS),
        "setup_a": list(setup_names()),
        "setup_b": list(setup_names()),
        "drop_channel": ["R", "G", "B", "G1", "G2"],
    }


def asked_from(form: type[Form], wish: Mapping[str, Any], own: OwnFile) -> Form:
    """What was put into a form.

    Raises
    ------
    InputError, RecipeError
        A field holds what it cannot, or names what is in no list.
    """
    parts = _parts(form)
    known = [key for part in parts for key in part]
    several = {key for part in parts for key, each in part.items() if _is_several(each)}
    asked = validated(form, _cleaned(wish, several), known, "")
    _check_names(asked.model_dump(), _names(own))
    return asked


@cache
def field_names() -> frozenset[str]:
    """Names of the fields of all forms, those of their sections, too."""
    return frozenset(key for form in FORMS.values() for part in _parts(form) for key in part)


def _parts(form: type[Section]) -> list[dict[str, Any]]:
    """Fields of a form and of its sections, by their names."""
    schema = form.model_json_schema()
    return [part["properties"] for part in (schema, *schema.get("$defs", {}).values())]


def _is_several(schema: Mapping[str, Any]) -> bool:
    return any(kind.get("type") == "array" for kind in schema.get("anyOf", [schema]))


def _cleaned(wish: Mapping[str, Any], several: AbstractSet[str]) -> dict[str, Any]:
    """Content of the fields that are not empty; entries of those that hold several are parted."""
    found: dict[str, Any] = {}
    for key, value in wish.items():
        if isinstance(value, dict):
            found[key] = _cleaned(value, several)
        elif isinstance(value, str) and len(value) > MOST_LETTERS:
            raise InputError(f"{key[:60]}: at most {MOST_LETTERS} letters are taken")
        elif key in several and isinstance(value, str):
            found[key] = [part for part in re.split(SPLIT[key], value.strip()) if part] or None
        elif value not in (None, ""):
            found[key] = value.strip() if isinstance(value, str) else value
    return {key: value for key, value in found.items() if value is not None}


def _check_names(data: Mapping[str, Any], chosen: Mapping[str, Sequence[str]]) -> None:
    for key, value in data.items():
        if isinstance(value, dict):
            _check_names(value, chosen)
        elif key in chosen and value is not None and value not in chosen[key]:
            raise InputError(f"{key.replace('_', ' ')} {value!r}: choose one of {', '.join(chosen[key])}")
