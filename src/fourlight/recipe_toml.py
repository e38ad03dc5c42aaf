"""The recipe as TOML text, with what every setting means."""

from __future__ import annotations

import json
from typing import Any

from fourlight.recipe import fields, sections
from fourlight.settings import limits

__all__ = ["defaults_toml"]


def defaults_toml() -> str:
    """All settings with defaults and help, as TOML that the recipe is read from; unset ones stand as comments."""
    lines: list[str] = ["# Fourlight recipe: every setting with its default."]
    models, current = dict(sections()), ""
    for section, key, field in fields():
        if section != current:
            lines += ["", f"[{section}]", f"# {(models[section].__doc__ or '').strip()}"]
            current = section
        lines.append(f"# {field.description}{_bounds(field)}")
        lines.append(f"# {key} =" if field.default is None else f"{key} = {json.dumps(field.default)}")
    return "\n".join(lines) + "\n"


def _bounds(field: Any) -> str:
    """Bounds or choices of a field in words, with a leading blank; empty where there are none."""
    found = [limits(field)] if limits(field) else []
    choices = getattr(field.annotation, "__args__", ())
    if choices and all(isinstance(choice, str) for choice in choices):
        found.append("one of " + ", ".join(choices))
    return f" ({'; '.join(found)})" if found else ""
