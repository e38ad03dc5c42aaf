"""Which jobs a project offers, and the order that comes of a wish."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.job_process import Order
from fourlight.pipeline.orders import (
    AddNights,
    MakeDemo,
    MakePicture,
    MeasureChannels,
    RunAgain,
    RunNights,
    WeighClaims,
)
from fourlight.pipeline.shown_picture import settings_now
from fourlight.pipeline.swap import RECORD
from fourlight.provenance import load
from fourlight.recipe import Recipe, known_fields
from fourlight.recipe_finish import Finish
from fourlight.report.words import listed
from fourlight.settings import nearest, validated

__all__ = ["Offer", "Sources", "offers", "order_for", "why_none"]

FINISH = "finish."
PICTURE = "From the stack as it is, with the settings of the picture that is there; choose others in the view Picture."
CHANNELS = "On the raw samples of all lights: what red, both greens and blue each contributed."
CLAIMS = "On the raw samples of all lights: what they say to claims that people argue about."
AGAIN = (
    "Makes the stack and all else anew from the same frames, with the same recipe and the marks of the view Frames; "
    "without new marks the pixels are the same."
)


@dataclass(frozen=True, slots=True)
class Sources:
    """What a user named when the page was started; the page itself names no files."""

    nights: tuple[Path, ...] = ()
    """Raw frames to be run."""
    added: tuple[Path, ...] = ()
    """Raw frames to be added to the stack that is there."""
    recipe: Recipe = field(default_factory=Recipe)
    """For ``nights``."""
    demo: Path | None = None
    """Folder for the demo, where neither nights nor results are named."""
    sites: Path | None = None
    """File with sites, optics and cameras, for plans; None: the one in the folder for settings."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A job that can be started."""

    kind: str
    title: str
    about: str
    """What it does, in a sentence or two."""
    order: Callable[[Mapping[str, Any] | None], Order]
    """The order of it, from the settings that come with the wish."""

    def told(self) -> dict[str, str]:
        """As plain data."""
        return {"kind": self.kind, "title": self.title, "about": self.about}


def offers(out: Path, sources: Sources) -> list[Offer]:
    """Jobs that can be started now, those first that come first."""
    nights, added = (listed([str(path) for path in paths]) for paths in (sources.nights, sources.added))
    found = []
    if sources.nights:
        about = (
            f"Calibrates, measures, registers and integrates the frames in {nights}; stack, picture and report go to "
            f"{out}. A run that was stopped goes on where it ended."
        )
        order = RunNights(sources.nights, out, sources.recipe.model_dump())
        found.append(Offer("run", order.title, about, lambda _: order))
    if sources.demo:
        about = (
            f"Simulates two nights on an invented nebula and runs them, as fourlight demo does; all of it goes to "
            f"{sources.demo}. It takes about a minute, the first time on a computer about three."
        )
        demo = MakeDemo(sources.demo)
        found.append(Offer("demo", demo.title, about, lambda _: demo))
    if not (out / RECORD).is_file():
        return found
    if sources.added:
        about = f"Adds the lights in {added} to the stack, with its recipe."
        found.append(Offer("add", AddNights.title, about, lambda _: AddNights(sources.added, out)))
    found += [
        Offer("picture", MakePicture.title, PICTURE, lambda wish: MakePicture(out, _settings(out, wish))),
        Offer("channels", MeasureChannels.title, CHANNELS, lambda _: MeasureChannels(out)),
        Offer("claims", WeighClaims.title, CLAIMS, lambda _: WeighClaims(out)),
    ]
    if not load(out / RECORD).steps:  # such a stack is made again in another folder only
        found.append(Offer("again", RunAgain.title, AGAIN, lambda _: RunAgain(out)))
    return found


def why_none(out: Path) -> str:
    """Why nothing is offered for a folder that was opened as one of results."""
    try:
        check_there(out)
    except InputError as error:
        return str(error)
    return f"{out / RECORD}: is not there, which tells how the stack was made; make the run again"


def order_for(out: Path, sources: Sources, kind: str, settings: Mapping[str, Any] | None = None) -> Order:
    """The order for a job of some kind; ``settings`` are those of a picture.

    Raises
    ------
    InputError, RecipeError
        There is no such job, or its settings cannot be used.
    """
    there = {offer.kind: offer for offer in offers(out, sources)}
    if not there:
        raise InputError(why_none(out))
    if kind not in there:
        raise InputError(f"{kind[:60]}: {nearest(kind[:60], list(there), 'such job now')}")
    return there[kind].order(settings)


def _settings(out: Path, wish: Mapping[str, Any] | None) -> dict[str, Any]:
    """All settings of a picture: those wished, checked, or those of the picture that is there."""
    if wish is None:
        return settings_now(out)
    known = [name.removeprefix(FINISH) for name in known_fields() if name.startswith(FINISH)]
    return validated(Finish, dict(wish), known, "setting").model_dump(mode="json")
