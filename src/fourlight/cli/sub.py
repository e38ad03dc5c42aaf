"""``fourlight sub``: how long subs should be, and how long a target takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fourlight.cli.gear import Camera, ChipText, Filter, OpticsText, Own, own_file, rig_of
from fourlight.cli.named_curves import AsJson, draw, picture_path, tell
from fourlight.cli.plain import number
from fourlight.cli.wishes import (
    Area,
    Clear,
    Fwhm,
    GoalSnr,
    KeepStar,
    Kind,
    Lines,
    Longest,
    Loss,
    Surface,
    light_of,
    wish_of,
)
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.stages.plan_skies import Moonlight

__all__ = ["moon_from", "sub"]


def sub(
    sky: Annotated[
        float,
        typer.Option(
            parser=number, metavar="MAG", help="Sky at the target without the Moon, V mag per square arcsec."
        ),
    ],
    moon: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LIT,DEG[,DEG]",
            help="A Moon: lit share (0 to 1), angle from the target, altitude; repeat it.",
        ),
    ] = None,
    camera: Camera = None,
    chip: ChipText = None,
    filter_name: Filter = None,
    optics: OpticsText = None,
    sites: Own = None,
    altitude: Annotated[
        float, typer.Option(parser=number, metavar="DEG", help="Altitude of the target.")
    ] = 60.0,
    extinction: Annotated[
        float | None, typer.Option(parser=number, metavar="MAG", help="What air takes of V per air mass.")
    ] = None,
    kind: Kind = None,
    surface: Surface = None,
    line: Lines = None,
    area: Area = 100.0,
    goal: GoalSnr = None,
    hours: Annotated[
        float | None, typer.Option(parser=number, metavar="HOURS", help="Hours of light in a clear night.")
    ] = None,
    clear: Clear = None,
    loss: Loss = 5.0,
    longest: Longest = None,
    keep_star: KeepStar = None,
    fwhm: Fwhm = 3.0,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the curve behind it, into a .png or .svg file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how long subs must be for read noise not to matter, which stars are full then, how long a goal takes."""
    from fourlight.report.sub_words import sub_plan_facts, sub_plan_lines
    from fourlight.sky.site import EXTINCTION_MAG
    from fourlight.stages.plan_skies import plan_subs

    picture = None if out is None else picture_path(out)
    _check(sky, altitude, extinction)
    if clear is not None and hours is None:
        raise InputError(
            f"--clear {clear:g} goes with --hours; say how many hours of light a clear night has"
        )
    gear = rig_of(own_file(sites), camera, chip, filter_name, optics)
    light, said = light_of(gear.rig, kind, surface, line)
    wish = wish_of(light, area=area, loss=loss, fwhm=fwhm, keep_star=keep_star, longest=longest, goal=goal, clear=clear,
                   hours=hours)  # fmt: skip
    assumed = [*gear.assumed, *said]
    if extinction is None:
        assumed.append(f"air takes {EXTINCTION_MAG:g} mag per air mass, in every colour")
    moons = [moon_from(text) for text in moon or ()]
    if any(text.count(",") == 1 for text in moon or ()):
        assumed.append("a Moon 40 degrees high where nothing is said of it")
    plan = plan_subs(
        gear.rig, wish, sky, moons, altitude, EXTINCTION_MAG if extinction is None else extinction
    )
    if picture is not None:
        from fourlight.report.figure_sub import sub_figure

        draw(picture, sub_figure(plan))
    tell(sub_plan_facts(plan, assumed), sub_plan_lines(plan, assumed), as_json=as_json)


def _check(sky: float, altitude: float, extinction: float | None) -> None:
    from fourlight.sky.site import EXTINCTIONS_MAG

    if not 13 <= sky <= 23:
        raise InputError(
            f"--sky {sky:g}: V mag per square arcsec from 13 (bright city) to 23 are needed, such as 21"
        )
    if not 5 <= altitude <= 90:
        raise InputError(f"--altitude {altitude:g}: degrees from 5 to 90 are needed")
    least, most = EXTINCTIONS_MAG
    if extinction is not None and not least <= extinction <= most:
        raise InputError(
            f"--extinction {extinction:g}: mag per air mass from {least:g} to {most:g} are needed; what air takes of "
            "the Moon's light is what brightens the sky"
        )


def moon_from(text: str) -> Moonlight:
    from fourlight.stages.plan_skies import Moonlight

    try:
        numbers = [float(part) for part in text.split(",")]
        if not 2 <= len(numbers) <= 3:
            raise ValueError
    except ValueError:
        raise InputError(
            f"--moon {text}: write the lit share and the angle from the target, such as 0.5,90, and after them the "
            "Moon's altitude if you like"
        ) from None
    lit, apart = numbers[0], numbers[1]
    if 1 < lit <= 100:
        raise InputError(f"--moon {text}: a lit share of {lit:g}; write {lit / 100:g} for {lit:g} per cent")
    found = Moonlight(lit, apart, *numbers[2:])
    if not (0 <= lit <= 1 and 5 <= apart <= 180 and 0 < found.altitude_deg <= 90):
        raise InputError(
            f"--moon {text}: needed are a lit share of 0 to 1, an angle of 5 to 180 degrees and an altitude above 0 "
            "and at most 90"
        )
    return found
