"""The automatic picture: what the stack shows, brought to a display without inventing anything, step by step.

Sky gradient off, the light of stars apart, light brought back to where it came from as far as the half stacks
confirm it, channels balanced, brightness from all channels by the information they carry, detail that the halves do
not confirm smoothed away, stars shown as bright as they are wanted, and one curve for all brightness that leaves hues
alone. Planes come in and are not changed.
"""

from __future__ import annotations

from collections.abc import Callable

from fourlight.core.colour import DISPLAY_P3, SRGB
from fourlight.engine import nothing
from fourlight.recipe_finish import Finish
from fourlight.stages.canvas import Canvas
from fourlight.stages.coverage import gather
from fourlight.stages.finish_steps import STEPS, taken_steps
from fourlight.stages.finish_work import Work
from fourlight.stages.framing import framed
from fourlight.stages.picture_parts import Picture, Seen, Shelf, Source, always_made, unseen
from fourlight.stages.showing import shown, stars_on, stars_within

__all__ = ["STEPS", "finish"]


def finish(
    source: Source, settings: Finish, canvas: Canvas | None = None, seen: Seen = unseen,
    shelf: Shelf = always_made, told: Callable[[], None] = nothing,
) -> Picture:  # fmt: skip
    """The finished picture of a stack.

    Parameters
    ----------
    source : Source
    settings : Finish
        The recipe's section.
    canvas : Canvas, optional
        Where to work, with how much memory and how many threads; neither changes the picture, but for what is filled
        under stars where these are shown fainter: by less than a tenth of the noise of a pixel.
    seen : callable, optional
    shelf : callable, optional
    told : callable, optional
        Called after each of `STEPS`.

    Raises
    ------
    StageError
        No plane holds pixels.
    InputError
        The crop that is wanted leaves nothing of the picture.
    """
    canvas = canvas or Canvas()
    notes: list[str] = []
    sheet, frame = gather(source.planes, source.variances, source.halves, notes, canvas)
    framed(frame, settings.frame.crop, None, north_up=False)  # refuses a crop of which nothing is left
    stars = stars_within(source.stars, frame)
    work = Work(source, settings, canvas, seen, shelf, sheet, stars, stars_on(stars))
    work.notes["stack"] = tuple(notes)
    seen("stack", sheet.image)
    taken_steps(work, told)
    look, lift = settings.shown, work.lift
    rgb, wide = (
        shown(work.image, work.weights, work.curve, sheet.covered, look, canvas, primaries, lift)
        if primaries is SRGB or settings.files.wide
        else None
        for primaries in (SRGB, DISPLAY_P3)
    )
    assert rgb is not None
    return Picture(
        rgb,
        work.notes,
        frame,
        work.weights,
        work.curve,
        wide,
        work.image,
        work.starless,
        work.taken,
        work.facts,
        sheet.covered,
    )
