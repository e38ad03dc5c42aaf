"""One page of a what-if that needs no other file and no network."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from typing import Any

import numpy as np
from PIL import Image

from fourlight.io.export import jpeg_bytes
from fourlight.report.figure_style import Drawn
from fourlight.report.templates import filled
from fourlight.report.whatif import asked_words, facts_list, lead, limits, rows
from fourlight.report.words import sentence, typeset_page

__all__ = ["whatif_page"]

QUALITY = 88


def whatif_page(facts: Mapping[str, Any], drawn: Mapping[str, Drawn]) -> str:
    """The page as text: pictures for wide and narrow screens, the table, limits and assumptions."""
    area = facts["patch_arcsec2"]
    patch = (
        f"a patch of {area:g} square arcsec"
        if area
        else f"a patch of {facts['patch_px']:g} pixels of the stack"
    )
    text = filled(
        "whatif.html.j2", title=asked_words(facts), object=facts["object"] or "",
        lead=lead(facts), facts=facts_list(facts), views={name: _address(each) for name, each in drawn.items()},
        words=drawn["wide"].words, table=rows(facts), patch=patch, unit=facts["unit"], limits=limits(facts),
        assumed=[sentence(each) for each in facts["assumed"]], run=facts["run"],
    )  # fmt: skip
    return typeset_page(text)


def _address(drawn: Drawn) -> str:
    """A figure as an address that holds it."""
    with Image.open(io.BytesIO(drawn.png)) as image:
        data = jpeg_bytes(np.asarray(image.convert("RGB")), QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(data).decode()
