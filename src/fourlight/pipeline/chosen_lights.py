"""Lights on which the recipe decides: left out with its reason, or used against what is measured of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame, SetAside
from fourlight.pipeline.job import BY_HAND, Job, Sorting
from fourlight.pipeline.names import is_called
from fourlight.recipe import Recipe
from fourlight.recipe_lights import Lights

__all__ = ["judged", "left_out", "used_anyway", "with_paths"]

HAND = "left out by hand: {}"


def with_paths(sorting: Sorting, recipe: Recipe, lights: Sequence[RawFrame]) -> Recipe:
    """The recipe with the full paths of the lights that it decides on, so that its record holds with others beside.

    What is no light of this run stays as it is written, and is told.

    Raises
    ------
    InputError
        Several lights are called so.
    """
    paths = [frame.path for frame in lights]
    chosen = recipe.lights
    leave = {_full(sorting, "leave_out", name, paths): why for name, why in chosen.leave_out.items()}
    use = tuple(dict.fromkeys(_full(sorting, "use", name, paths) for name in chosen.use))
    if both := leave.keys() & set(use):
        raise InputError(
            f"{min(both)}: lights.leave_out and lights.use both name it; leave it in one of them"
        )
    return recipe.model_copy(update={"lights": Lights(leave_out=leave, use=use)})


def _full(sorting: Sorting, field: str, name: str, paths: Sequence[Path]) -> str:
    found = [path for path in paths if is_called(path, name)]
    if len(found) > 1:
        some = ", ".join(sorting.called[path] for path in found[:3])
        raise InputError(
            f"lights.{field}: {len(found)} lights are called {name!r}; name one of them, such as {some}"
        )
    if found:
        return str(found[0])
    aside = [item for item in sorting.set_aside if is_called(item.path, name)]
    if not aside:
        sorting.remarks.append(f"lights.{field} names {name!r}, and no light is called so.")
    elif field == "use":
        sorting.remarks.append(f"lights.use names {name!r}, which cannot be used: {aside[0].reason}.")
    return name


def left_out(sorting: Sorting, lights: Sequence[RawFrame]) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that stay, and those that the recipe leaves out, which are set aside with its reasons."""
    reasons = sorting.recipe.lights.leave_out
    out = [frame for frame in lights if str(frame.path) in reasons]
    sorting.drop([SetAside(frame.path, BY_HAND, HAND.format(reasons[str(frame.path)])) for frame in out])
    return [frame for frame in lights if str(frame.path) not in reasons], out


def used_anyway(recipe: Recipe) -> frozenset[Path]:
    """Lights that are used whatever is measured of them."""
    return frozenset(map(Path, recipe.lights.use))


def judged(job: Job, verdicts: Sequence[SetAside], anyway: Collection[Path]) -> None:
    """Set aside what measurement speaks against, but for lights that are used anyway, of which that is told."""
    job.drop([item for item in verdicts if item.path not in anyway])
    for item in verdicts:
        if item.path in anyway:
            job.remarks.append(
                f"{job.called[item.path]} is used because lights.use names it, though it is {item.reason}."
            )
