"""Emission lines of a finished stack: maps, what is known of them, and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.engine import Progress, Silent, thread_count
from fourlight.errors import InputError
from fourlight.frames import StarList
from fourlight.io.room import writing
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.finished import StackFiles, check_results, run_that_left
from fourlight.pipeline.line_files import sky_cards, write_lines
from fourlight.pipeline.line_numbers import factors_of, kinds_of, numbers_of
from fourlight.pipeline.line_request import Asked, Found, Source
from fourlight.pipeline.line_sources import behind_its_filter, by_stars, in_its_beam, opened
from fourlight.pipeline.line_views import Shown, line_views
from fourlight.pipeline.line_words import doubts, said
from fourlight.pipeline.outputs import plain_data
from fourlight.pipeline.products import put_in_place
from fourlight.pipeline.star_colours import sky_and_room
from fourlight.recipe_finish import Finish
from fourlight.stages.balance import White
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_beside import Beside, Scale, beside, clear_light, scale_by_stars
from fourlight.stages.line_facts import dust_facts
from fourlight.stages.line_kinds import LightSet, Telling, choose_kinds, dust_change, passed_lines
from fourlight.stages.line_maps import Planes, line_maps, planes_above_sky
from fourlight.stages.line_noise import noise_over_claim
from fourlight.stages.line_pictures import Palette, palettes
from fourlight.stages.line_star_colours import star_hues

__all__ = ["lines_of", "lines_on"]


def lines_on(out: Path, asked: Asked, progress: Progress | None = None) -> dict[str, Any]:
    """Tell apart the lines of a finished stack, and write them beside its other results.

    Parameters
    ----------
    out : Path
        Folder of the results of a run; its lights are not needed.
    asked : Asked
    progress : Progress or None

    Returns
    -------
    dict
        Content of ``lines.json``.

    Raises
    ------
    InputError, OutputError
        There is no finished run, a filter passes no line, a curve does not reach one, or the broadband stack is of
        another field.
    """
    passed_lines(asked.path)
    past = run_that_left(out)
    if asked.broadband is not None and asked.broadband.resolve() == out.resolve():
        raise InputError(
            f"{asked.broadband}: is the stack with the lines itself; name another without narrow filter"
        )
    progress = progress or Silent()
    with claimed(out) as folder:
        check_results(out)
        recipe, threads = past.recipe, thread_count(past.recipe.run.threads)
        canvas = Canvas(folder.layers, recipe.run.memory_gb * 1e9, threads)
        layers, other = StackFiles(folder.root, canvas), None
        source = opened(folder.root, str(out), layers)
        if asked.broadband is not None:
            run_that_left(asked.broadband)  # which refuses what is none
            other = opened(asked.broadband, str(asked.broadband), StackFiles(asked.broadband, canvas))
        asked = in_its_beam(behind_its_filter(asked, other), source, other, recipe.gear)
        found = lines_of(source, other, asked, recipe.finish, canvas, progress)
        progress.begin("report", 1)
        with writing(folder.new):
            folder.new.mkdir()
        cards = sky_cards(folder.root / "stack.fits")
        write_lines(folder.new, found, cards, recipe.finish.files.jpeg_quality, threads)
        put_in_place(folder, layers, source.summary)
        progress.step()
        progress.end(f"lines.fits, pictures in {out / 'lines'}, report in {out}")
    return found.facts


def lines_of(
    source: Source, other: Source | None, asked: Asked, settings: Finish, canvas: Canvas, progress: Progress
) -> Found:
    """Lines of a stack, with the continuum of another where there is one.

    Raises
    ------
    InputError
        The stack or what is asked cannot tell lines.
    """
    unsure = _doubted(source, other, asked, progress)
    progress.begin("lines", 4)
    planes = planes_above_sky(source.layers, source.stars, canvas, source.name)
    stacks = _stacks(planes, source, other, asked, canvas)
    sets, scale = stacks.sets, stacks.scale
    telling = choose_kinds(stacks.paths, asked.ratios)
    factors_of(source, asked, telling)  # which refuses what cannot be told before work is done for it
    progress.step()
    where = planes.cells(planes.sky.above if planes.sky.above.any() else planes.sky.use)
    variance = np.concatenate([each.usual_variance(where) for each in sets])
    learned = by_stars(telling, asked, source, variance)
    telling = learned.telling
    maps = line_maps(sets, telling, canvas)
    progress.step()
    factors = factors_of(source, asked, telling)
    facts = {
        **numbers_of(source, other, asked, telling, sets, variance),
        "kinds": kinds_of(telling, maps, sets, variance, where, factors, source.summary),
        "dust": dust_facts(telling, variance, dust_change(stacks.paths, telling.columns, asked.ratios)),
        "stars": learned.facts,
        "scale": None if scale is None else asdict(scale),
        "noise_over_claim": _over_claim(source, telling, sets),
        "filled": planes.sky.filled,
    }
    progress.step()
    wanted = palettes(telling, asked.ratios)
    width = _width(source, other) if other is not None else 0.0
    shown = Shown(wanted, stacks.stars, stacks.hues, width)
    views = line_views(maps, planes, telling, shown, settings, canvas)
    facts["pictures"] = _pictures(wanted, in_colour=stacks.hues is not None)
    facts = dict(plain_data(facts))
    facts |= {"doubts": unsure, "notes": said(facts)}
    progress.step()
    progress.end(facts["notes"][0])
    return Found(maps, facts, views.pictures, views.maps)


def _pictures(wanted: Sequence[Palette], *, in_colour: bool) -> list[dict[str, str]]:
    """Name, title and words of each picture; whether stars have their colours of the broadband stack in it."""
    more = "; stars in their colours of the broadband stack" if in_colour else ""
    return [{"name": one.name, "title": one.title, "words": one.words + more} for one in wanted]


def _over_claim(
    source: Source, telling: Telling, sets: Sequence[Planes]
) -> dict[str, dict[str, float | None]]:
    """Scatter of the half stacks over what variances say."""
    variance = np.concatenate([each.usual_variance() for each in sets])
    return noise_over_claim(source.layers, telling, variance, sets[0].near_stars)


class _Stacks(NamedTuple):
    """The stacks whose lines are told apart together."""

    sets: list[Planes]
    paths: list[LightSet]
    scale: Scale | None
    """Of the second one."""
    stars: StarList
    hues: npt.NDArray[np.float64] | None
    """Colours of the stars, where the second one tells them."""


def _stacks(planes: Planes, source: Source, other: Source | None, asked: Asked, canvas: Canvas) -> _Stacks:
    """The stack with the lines, and the one without narrow filter where there is one."""
    first = LightSet(asked.path, planes.usual_variance())
    if other is None:
        return _Stacks([planes], [first], None, source.stars, None)
    found, scale = _second(planes, source, other, asked, canvas)
    more, hues = found.planes, None
    if not asked.broadband_path.filter.narrow:  # narrow bands tell no colours of stars
        white = White.told(other.summary.get("colour") or {})
        hues = star_hues(more.values, more.variances, found.stars, white)
    second = LightSet(asked.broadband_path, more.usual_variance(), scale.value, scale.error)
    return _Stacks([planes, more], [first, second], scale, found.stars, hues)


def _doubted(source: Source, other: Source | None, asked: Asked, progress: Progress) -> list[str]:
    """What is to be known before all else, said before the work, which may be in vain."""
    found = doubts(source, other, asked)
    for doubt in found:
        progress.begin("take care", 1)
        progress.end(doubt)
    return found


def _width(*sources: Source) -> float:
    """FWHM of stars as they stand in the widest plane of stacks, pixels of each."""
    planes = [plane for one in sources for plane in (one.summary.get("planes") or {}).values()]
    return max((float(plane["fwhm_px"]) for plane in planes if plane.get("fwhm_px")), default=0.0)


def _second(
    planes: Planes, source: Source, other: Source, asked: Asked, canvas: Canvas
) -> tuple[Beside, Scale]:
    """The broadband stack on the grid of the other, and its scale."""
    own = planes_above_sky(other.layers, other.stars, canvas, other.name)
    found = beside(own, other.stars, planes, source.stars, canvas, other.name)
    each = [
        clear_light(part, one.stars, chosen, sky_and_room(one.summary.get("planes") or {}, COLOURS)[1])
        for part, one, chosen in ((planes, source, found.source), (own, other, found.target))
    ]
    scale = scale_by_stars(each[0], each[1], (asked.path, asked.broadband_path), other.name)
    return found, scale
