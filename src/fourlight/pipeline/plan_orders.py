"""Plans that take long, each as an order for a process of its own; see `fourlight.pipeline.orders`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from fourlight.pipeline.job_process import Telling

if TYPE_CHECKING:
    from fourlight.pipeline.whatif import Asked

__all__ = ["CompareSetups", "LookWhatIf"]


@dataclass(frozen=True, slots=True)
class CompareSetups:
    """Two setups at the same hours; what comes of it goes into one file."""

    title: ClassVar[str] = "Compare two setups"
    wish: Mapping[str, Any]
    sites: Path | None
    target: Path

    def work(self, telling: Telling) -> None:
        from fourlight.io.room import whole
        from fourlight.pipeline.compare_pictures import simulated_pictures
        from fourlight.pipeline.outputs import plain_json
        from fourlight.pipeline.plan_answers import comparison_answer, for_forms
        from fourlight.pipeline.plans_asked import CompareAsked, compared_by
        from fourlight.pipeline.rigs import own_file
        from fourlight.pipeline.setups import setup_named

        asked = CompareAsked.model_validate(self.wish)
        telling.begin("compare", 3)
        setups = setup_named(asked.setup_a), setup_named(asked.setup_b)
        with for_forms():
            found, clock, assumed = compared_by(asked, setups, own_file(self.sites))
        telling.step()
        made = simulated_pictures(found)
        telling.step()
        answer = comparison_answer(found, clock, assumed, made)
        with whole(self.target) as part:
            part.write_text(plain_json(answer), encoding="utf-8")
        telling.end("; ".join(answer["parts"][0]["lines"]))


@dataclass(frozen=True, slots=True)
class LookWhatIf:
    """The lights of a run under another sky, or fewer of them."""

    title: ClassVar[str] = "What if"
    out: Path
    target: Path
    wish: Mapping[str, Any]

    def asked(self) -> Asked:
        """What is asked for, checked.

        Raises
        ------
        InputError
            A wish that is none.
        """
        from fourlight.pipeline.whatif_wish import whatif_asked

        names = ("sky", "moon", "subs", "drop_channel", "was", "altitude", "extinction")
        asked = whatif_asked(*(self.wish.get(name) for name in names))
        asked.check()
        return asked

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.plan_answers import for_forms
        from fourlight.pipeline.whatif import what_if
        from fourlight.report.whatif import lines

        with for_forms():
            made = what_if(self.out, self.target, self.asked(), telling)
        for heading, text in lines(made):
            telling.line(heading, text)
