"""Plans of one session of the page: nights and subs at once, comparisons and what-ifs as orders, and what they left."""

from __future__ import annotations

import re
import shutil
import tempfile
import threading
import weakref
from collections.abc import Mapping
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.json_text import json_of
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.job_process import Order
from fourlight.pipeline.plan_answers import for_forms, plan_answer, subs_answer, whatif_answer
from fourlight.pipeline.plan_forms import WhatIfAsked, asked_from, form_schemas
from fourlight.pipeline.plan_orders import CompareSetups, LookWhatIf
from fourlight.pipeline.plans_asked import (
    CompareAsked,
    PlanAsked,
    SubsAsked,
    check_comparison,
    planned_by,
    subs_by,
)
from fourlight.pipeline.products import read_json
from fourlight.pipeline.rigs import OwnFile, own_file
from fourlight.pipeline.swap import RECORD

__all__ = ["ShownPlans"]

FACTS, PICTURE = "whatif.json", "whatif.png"


class ShownPlans:
    """What can be planned, with what is asked and what came of it; safe for several threads.

    Parameters
    ----------
    out : Path
        Folder of the results; what-ifs go beside it, into one whose name ends in ``-whatif``.
    sites : Path, optional
        File with sites, optics and cameras; else the one in the user's folder for settings.
    """

    def __init__(self, out: Path, sites: Path | None = None) -> None:
        self._out, self._sites = out, sites
        self.whatifs = out.with_name(f"{out.name}-whatif")
        self._drawing = threading.Lock()  # charts are drawn one after the other

    @cached_property
    def _scratch(self) -> Path:
        """For the comparison of this session; gone with it."""
        folder = Path(tempfile.mkdtemp(prefix="fourlight-"))
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)
        return folder

    @property
    def _compared(self) -> Path:
        return self._scratch / "compared.json"

    def facts(self) -> dict[str, Any]:
        """Forms, names of sites, and what there is to look at already."""
        own = self._own()
        there = (self._out / RECORD).is_file()
        return {
            "forms": {name: form for name, form in form_schemas(own).items() if there or name != "whatif"},
            "sites": list(own.things.site),
            "file": str(own.path),
            "compared": self._compared.is_file(),
            "whatifs": [{"name": path.parent.name, "title": _title(path)} for path in self._whatif_files()],
            "place": str(self.whatifs),
        }

    def night(self, wish: Mapping[str, Any]) -> dict[str, Any]:
        """A night, as a form asks for it.

        Raises
        ------
        InputError, RecipeError
            Something in it cannot be.
        """
        with for_forms(), self._drawing:
            own = self._own()
            return plan_answer(*planned_by(asked_from(PlanAsked, wish, own), own))

    def subs(self, wish: Mapping[str, Any]) -> dict[str, Any]:
        """Lengths of subs, as a form asks for them; raises as `night` does."""
        with for_forms(), self._drawing:
            own = self._own()
            return subs_answer(*subs_by(asked_from(SubsAsked, wish, own), own))

    def order(self, kind: str, wish: Mapping[str, Any]) -> Order:
        """The order for a comparison or a what-if; raises as `night` does."""
        with for_forms():
            own = self._own()
            if kind == "compare":
                asked = asked_from(CompareAsked, wish, own)
                check_comparison(asked)
                return CompareSetups(asked.model_dump(), self._sites, self._compared)
            check_there(self._out)
            told = asked_from(WhatIfAsked, wish, own).model_dump(exclude_none=True)
            order = LookWhatIf(self._out, self.whatifs / _slug(told), told)
            order.asked()
            return order

    def comparison(self) -> dict[str, Any]:
        """The last comparison of this session.

        Raises
        ------
        InputError
            There is none yet.
        """
        if not self._compared.is_file():
            raise InputError("nothing has been compared in this session yet")
        found: dict[str, Any] = json_of(self._compared.read_text(encoding="utf-8"))
        return found

    def whatif(self, name: str) -> dict[str, Any]:
        """A what-if by its name.

        Raises
        ------
        InputError
            There is none of this name.
        """
        facts = read_json(self._whatif_folder(name) / FACTS, "ask for it anew")
        if not facts:
            raise InputError(f"{name[:60]}: cannot be read; ask for it anew")
        return whatif_answer(facts, f"/plans/whatifs/{name}/picture.png")

    def whatif_picture(self, name: str) -> Path:
        """The figure of a what-if; raises as `whatif` does."""
        return self._whatif_folder(name) / PICTURE

    def _whatif_folder(self, name: str) -> Path:
        found = {path.parent.name: path.parent for path in self._whatif_files()}
        if name not in found:
            raise InputError(f"there is no what-if called {name[:60]!r}")
        return found[name]

    def _whatif_files(self) -> list[Path]:
        """Facts of the what-ifs that are whole, the latest first."""
        found = [path for path in self.whatifs.glob(f"*/{FACTS}") if (path.parent / PICTURE).is_file()]
        return sorted(found, key=lambda path: path.stat().st_mtime, reverse=True)

    def _own(self) -> OwnFile:
        return own_file(self._sites)


def _title(path: Path) -> str:
    from fourlight.report.whatif import asked_words

    with suppress(InputError):  # whoever looks at it is told
        if facts := read_json(path):
            return asked_words(facts)
    return path.parent.name


def _slug(told: Mapping[str, Any]) -> str:
    """A name for the folder of a what-if, from what is asked.

    >>> _slug({"sky": "x2", "subs": 8}), _slug({"moon": "0.5,90"})
    ('sky-x2-subs-8', 'moon-0.5-90')
    """
    words = "-".join(f"{key}-{value}" for key, value in told.items())
    return re.sub(r"[^a-z0-9.]+", "-", words.lower()).strip("-.")[:80] or "nothing"
