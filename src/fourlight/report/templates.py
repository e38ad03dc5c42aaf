"""Pages from their templates, with the style sheet that they share."""

from __future__ import annotations

from typing import Any

import jinja2
from markupsafe import Markup

from fourlight import __version__
from fourlight.report.words import counted, digits, duration, percent

__all__ = ["filled"]

LOADER = jinja2.PackageLoader("fourlight.report", ".")
ENVIRONMENT = jinja2.Environment(
    loader=LOADER, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
)
ENVIRONMENT.filters.update(digits=digits, percent=percent, duration=duration, counted=counted)


def filled(name: str, **shown: Any) -> str:
    """The page that a template makes of what it is to show; style and version are there unless others are given.

    Raises
    ------
    jinja2.UndefinedError
        The template asks for something that was not given.
    """
    style = Markup(LOADER.get_source(ENVIRONMENT, "style.css")[0])
    return ENVIRONMENT.get_template(name).render({"style": style, "version": __version__, **shown})
