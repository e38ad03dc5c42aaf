"""``fourlight whatif``: what the lights of a finished run would have given under another sky, or fewer of them."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fourlight.cli.plain import number
from fourlight.cli.sub import moon_from
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.pipeline.whatif import Asked

__all__ = ["whatif"]


def whatif(
    run: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    out: Annotated[Path | None, typer.Option(metavar="OUT2", help="New folder for all that is made.")] = None,
    sky: Annotated[
        str | None,
        typer.Option(
            metavar="MAG|xN",
            help="A sky of so many V mag per square arcsec, or so many times as bright, as x2.",
        ),
    ] = None,
    moon: Annotated[
        str | None,
        typer.Option(
            metavar="LIT,DEG[,DEG]", help="A Moon: lit share (0 to 1), angle from the target, altitude."
        ),
    ] = None,
    subs: Annotated[
        int | None, typer.Option(metavar="N", help="So many lights, chosen evenly over time, not the best.")
    ] = None,
    drop_channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="Leave a channel out: R, G, B, G1 or G2.")
    ] = None,
    filter_name: Annotated[
        str | None, typer.Option("--filter", metavar="NAME", help="Refused, with the reason.")
    ] = None,
    was: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MAG",
            help="The sky that the lights had, where no stars of theirs tell it.",
        ),
    ] = None,
    altitude: Annotated[
        float | None, typer.Option(parser=number, metavar="DEG", help="Altitude of the target.")
    ] = None,
    extinction: Annotated[
        float | None, typer.Option(parser=number, metavar="MAG", help="What air takes of V per air mass.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print whatif.json at the end.")] = False,
) -> None:
    """Tell what your own lights would have given under a brighter sky, with fewer subs or without a channel."""
    asked = _asked(sky, moon, subs, drop_channel, was, altitude, extinction)
    if filter_name is not None:
        raise InputError(
            f"--filter {filter_name}: raw lights hold the sum over all wavelengths that reached them, and no "
            "count tells which of it another filter would have passed; see fourlight sub --filter and "
            "fourlight plan --filter for what it gives, fourlight compare for two filters in the same hours, "
            "fourlight lines for what these lights hold of lines"
        )
    asked.check()
    if out is None:
        raise InputError("no output folder named; give a new one with --out OUT2")
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.outputs import plain_json
    from fourlight.pipeline.whatif import what_if
    from fourlight.report.whatif import lines

    progress = TerminalProgress()
    try:
        facts = what_if(run, out, asked, progress)
        for heading, text in lines(facts):
            progress.line(heading, text)
        progress.line("look at", f"{out / 'whatif.html'} and {out / 'whatif.png'}")
    finally:
        progress.close()
    if as_json:
        sys.stdout.write(plain_json(facts) + "\n")


def _asked(
    sky: str | None, moon: str | None, subs: int | None, without: str | None, was: float | None,
    altitude: float | None, extinction: float | None,
) -> Asked:  # fmt: skip
    from fourlight.pipeline.whatif import Asked
    from fourlight.pipeline.whatif_sky import Stated
    from fourlight.sky.site import EXTINCTIONS_MAG
    from fourlight.stages.whatif_sky import SkyWish

    factor, mag = (None, None) if sky is None else _sky(sky)
    for name, value, low, high, unit in (
        ("--was", was, 13, 23, "V mag per square arcsec"),
        ("--altitude", altitude, 5, 90, "degrees"),
        ("--extinction", extinction, *EXTINCTIONS_MAG, "mag per air mass"),
    ):
        if value is not None and not low <= value <= high:
            raise InputError(f"{name} {value:g}: {unit} from {low:g} to {high:g} are needed")
    return Asked(
        SkyWish(factor, mag, None if moon is None else moon_from(moon)),
        subs,
        without,
        Stated(was, altitude, extinction),
    )


def _sky(text: str) -> tuple[float | None, float | None]:
    """A factor or a brightness.

    >>> _sky("x2"), _sky("19.5")
    ((2.0, None), (None, 19.5))
    """
    found = re.fullmatch(r"\s*(x?)\s*(\d*\.?\d+)\s*", text, flags=re.IGNORECASE)
    value = float(found[2]) if found else 0.0
    if found and found[1] and value <= 1:
        raise InputError(
            f"--sky {text}: light can be added, never removed; a factor above 1 is needed, such as x2"
        )
    if found and found[1] and value <= 1000:
        return value, None
    if found and not found[1] and 13 <= value <= 23:
        return None, value
    raise InputError(
        f"--sky {text}: V mag per square arcsec from 13 (bright city) to 23 are needed, such as 19.5, or a "
        "factor up to 1000, such as x2"
    )
