"""What somebody who plans may say, as it is written, and what comes of it; the terminal and the page ask by these."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from fourlight.errors import InputError
from fourlight.pipeline.nights_asked import check_night, twilight_words
from fourlight.pipeline.rigs import OwnFile, rig_of
from fourlight.pipeline.wishes import light_of, light_of_setups, moon_from, wish_of
from fourlight.settings import Section

if TYPE_CHECKING:
    from fourlight.report.clock import Clock
    from fourlight.stages.compare_setup import Setup
    from fourlight.stages.compare_whole import Asked, Compared
    from fourlight.stages.plan_skies import SubPlan
    from fourlight.stages.plan_whole import Planned

__all__ = [
    "CompareAsked", "GearAsked", "LightAsked", "NightAsked", "PlanAsked", "SubAsked", "SubsAsked",
    "check_comparison", "compared_by", "planned_by", "subs_by",
]  # fmt: skip

MOST_NIGHTS = 400
DRAWS = (20, 5000)
Text = str | None
Number = float | None


class NightAsked(Section):
    """Sky, darkness and the zone of times."""

    sky: Annotated[Number, Field(description="Moonless sky in the zenith, V mag per square arcsec")] = None
    extinction: Annotated[Number, Field(description="What air takes of V per air mass, mag")] = None
    least_altitude: Annotated[
        float, Field(description="Altitude from which the target counts as up, degrees")
    ] = 30.0
    sun_below: Annotated[float, Field(description="How far the Sun must be down for darkness, degrees")] = (
        18.0
    )
    zone: Annotated[Text, Field(description="Zone of times: hours from UTC, such as +2, or its name")] = None


class GearAsked(Section):
    """Camera, filter and optics."""

    camera: Annotated[Text, Field(description="One of your file of sites, or one that comes along")] = None
    chip: Annotated[
        Text, Field(description="Its sensor, such as 3.76um,6248x4176,read=1.5; the rest is assumed")
    ] = None
    filter: Annotated[Text, Field(description="Filter in front of it")] = None
    optics: Annotated[
        Text, Field(description="Such as 400mm,f/5 or 400mm,f/5,obstruction=0.3, or a name of your file")
    ] = None


class LightAsked(Section):
    """How bright the target is: a kind, or its own continuum and lines."""

    kind: Annotated[Text, Field(description="Kind of target, whose usual brightness counts")] = None
    surface: Annotated[
        Text, Field(description="Continuum in V mag per square arcsec, and its colour in kelvin: 22.5,5000")
    ] = None
    line: Annotated[
        tuple[str, ...] | None, Field(description="Lines in rayleigh, such as halpha=30, oiii=10, sii=5")
    ] = None


class SubAsked(Section):
    """What subs and hours are to reach."""

    area: Annotated[float, Field(description="Patch whose signal over noise is told, square arcsec")] = 100.0
    goal: Annotated[Number, Field(description="Signal over noise to be reached")] = None
    clear: Annotated[Number, Field(description="How many of a hundred nights are clear")] = None
    loss: Annotated[float, Field(description="By how many per cent read noise may raise the noise")] = 5.0
    longest: Annotated[Number, Field(description="Longest sub that mount and guiding allow, s")] = None
    keep_star: Annotated[Number, Field(description="V of the brightest star that is not to be full")] = None
    fwhm: Annotated[float, Field(description="Width of star images, arcsec")] = 3.0


SiteText = Annotated[
    str, Field(description="A name of your file, or latitude,longitude,height: 31.5,-38,2100")
]
Evening = Annotated[Text, Field(description="Day on which the night begins, year-month-day; empty: tonight")]


class PlanAsked(Section):
    """A night at a site, before it comes."""

    site: SiteText
    target: Annotated[
        Text, Field(description="Name, or right ascension, declination: 287.4,18.2; empty: list what suits")
    ] = None
    date: Evening = None
    ahead: Annotated[int, Field(description="Look so many nights ahead too; 365 for a year")] = 0
    night: NightAsked = NightAsked()
    gear: GearAsked = GearAsked()
    light: LightAsked = LightAsked()
    subs: SubAsked = SubAsked()


class CompareAsked(Section):
    """Two setups at the same hours of the clock."""

    setup_a: Annotated[str, Field(description="One setup")]
    setup_b: Annotated[str, Field(description="The other one")]
    site: SiteText
    hours: Annotated[float, Field(description="Hours of the clock that both have")] = 6.0
    date: Evening = None
    target: Annotated[
        Text, Field(description="Name, or right ascension, declination; empty: one that passes the zenith")
    ] = None
    area: Annotated[float, Field(description="Patch whose signal over noise is told, square arcsec")] = 100.0
    need: Annotated[
        Text, Field(description="Light that is needed, such as halpha,oiii; empty: all of it")
    ] = None
    star: Annotated[float, Field(description="V of the faint star that is told too")] = 20.0
    draws: Annotated[int, Field(description="Draws over the assumptions")] = 400
    night: NightAsked = NightAsked()
    light: LightAsked = LightAsked()


class SubsAsked(Section):
    """Length of subs under a sky that is known."""

    sky: Annotated[float, Field(description="Sky at the target without the Moon, V mag per square arcsec")]
    moon: Annotated[
        tuple[str, ...], Field(description="Moons: lit share, angle from the target and altitude: 0.5,90,40")
    ] = ()
    altitude: Annotated[float, Field(description="Altitude of the target, degrees")] = 60.0
    extinction: Annotated[Number, Field(description="What air takes of V per air mass, mag")] = None
    hours: Annotated[Number, Field(description="Hours of light in a clear night; goes with a goal")] = None
    gear: GearAsked = GearAsked()
    light: LightAsked = LightAsked()
    subs: SubAsked = SubAsked()


def planned_by(
    asked: PlanAsked, own: OwnFile, horizon: Path | None = None
) -> tuple[Planned, Clock, list[str]]:
    """The night, the clock its times are told by, and what was assumed.

    Raises
    ------
    InputError
        Something that was said cannot be, or the night or the target is none.
    """
    night, gear, light = asked.night, asked.gear, asked.light
    check_night(night.least_altitude, night.sun_below)
    if asked.ahead > MOST_NIGHTS:
        raise InputError(
            f"--ahead {asked.ahead}: at most {MOST_NIGHTS} nights are needed for a year and more"
        )
    if asked.ahead < 0:
        raise InputError(f"--ahead {asked.ahead}: a number of nights is needed")
    from fourlight.pipeline.sites import evening_of, place_of, site_of
    from fourlight.report.clock import clock_of
    from fourlight.stages.plan_night import Goal
    from fourlight.stages.plan_whole import Wanted, plan_night

    where = site_of(own, asked.site, sky=night.sky, extinction=night.extinction, horizon=horizon)
    clock = clock_of(night.zone or where.zone)
    place = None if asked.target is None else place_of(asked.target)
    rig = rig_of(own, gear.camera, gear.chip, gear.filter, gear.optics)
    lines = list(light.line or ())
    bright, said = light_of(rig.rig, light.kind, light.surface, lines)
    told = (
        rig.named
        or any(word is not None for word in (light.kind, light.surface, asked.subs.goal))
        or bool(lines)
    )
    wish = wish_of(bright, **asked.subs.model_dump())
    goal = Goal(night.least_altitude, night.sun_below)
    there, evening = evening_of(where.site, asked.date, clock)
    planned = plan_night(Wanted(there, evening, place, goal, rig.rig, told, wish, asked.ahead))
    assumed = [*where.assumed, *(rig.assumed if told or place is None else rig.assumed[:1])]
    assumed += said if told and place is not None else []
    return planned, clock, assumed + twilight_words(night.sun_below)


def compared_by(
    asked: CompareAsked, setups: tuple[Setup, Setup], own: OwnFile, horizon: Path | None = None
) -> tuple[Compared, Clock, list[str]]:
    """The comparison, the clock its times are told by, and what was assumed.

    Raises
    ------
    InputError
        Something that was said cannot be.
    """
    check_comparison(asked)
    from fourlight.pipeline.sites import evening_of, place_of, site_of
    from fourlight.report.clock import clock_of
    from fourlight.stages.compare_whole import Asked, compare
    from fourlight.stages.plan_night import Goal

    night = asked.night
    where = site_of(own, asked.site, sky=night.sky, extinction=night.extinction, horizon=horizon)
    light, said = light_of_setups(setups, asked.light.kind, asked.light.surface, list(asked.light.line or ()))
    clock = clock_of(night.zone or where.zone)
    there, evening = evening_of(where.site, asked.date, clock)
    needed = tuple(word.strip() for word in asked.need.split(",")) if asked.need is not None else ()
    wanted = Asked(
        there, evening, None if asked.target is None else place_of(asked.target),
        Goal(night.least_altitude, night.sun_below), setups, light, asked.hours, asked.area, asked.star,
        needed=needed, draws=asked.draws,
    )  # fmt: skip
    found = compare(wanted)
    return found, clock, [*where.assumed, *said, *_of_setups(wanted), *_of_night(wanted)]


def subs_by(asked: SubsAsked, own: OwnFile) -> tuple[SubPlan, list[str]]:
    """Lengths of subs, and what was assumed.

    Raises
    ------
    InputError
        Something that was said cannot be.
    """
    from fourlight.sky.site import EXTINCTION_MAG
    from fourlight.stages.plan_skies import plan_subs

    if asked.subs.clear is not None and asked.hours is None:
        raise InputError(
            f"--clear {asked.subs.clear:g} goes with --hours; say how many hours of light a clear night has"
        )
    _check_sky(asked)
    gear, light = asked.gear, asked.light
    rig = rig_of(own, gear.camera, gear.chip, gear.filter, gear.optics)
    bright, said = light_of(rig.rig, light.kind, light.surface, list(light.line or ()))
    wish = wish_of(bright, **asked.subs.model_dump(), hours=asked.hours)
    assumed = [*rig.assumed, *said]
    if asked.extinction is None:
        assumed.append(f"air takes {EXTINCTION_MAG:g} mag per air mass, in every colour")
    moons = [moon_from(text) for text in asked.moon]
    if any(text.count(",") == 1 for text in asked.moon):
        assumed.append("a Moon 40 degrees high where nothing is said of it")
    takes = EXTINCTION_MAG if asked.extinction is None else asked.extinction
    return plan_subs(rig.rig, wish, asked.sky, moons, asked.altitude, takes), assumed


def _of_setups(asked: Asked) -> list[str]:
    """What was assumed of each."""
    return [
        f"{letter}: {each}"
        for letter, setup in zip("AB", asked.setups, strict=True)
        for each in setup.assumed
    ]


def _of_night(asked: Asked) -> list[str]:
    """What was assumed of the night and of the place of the target."""
    said = []
    if asked.place is None:
        said.append(
            "a target that passes through the zenith in the middle of the darkness; name yours with --target"
        )
    return [*said, *twilight_words(asked.goal.sun_below_deg)]


def check_comparison(asked: CompareAsked) -> None:
    """Raise `InputError` where hours, area, star, night or draws of a comparison cannot be."""
    if not 0.1 <= asked.hours <= 24:
        raise InputError(f"--hours {asked.hours:g}: hours of the clock from 0.1 to 24 are needed")
    if not 1e-2 <= asked.area <= 1e7:
        raise InputError(f"--area {asked.area:g}: square arcsec from 0.01 to 1e7 are needed, such as 100")
    if not 5 <= asked.star <= 28:
        raise InputError(f"--star {asked.star:g}: V from 5 to 28 is needed, such as 20")
    check_night(asked.night.least_altitude, asked.night.sun_below)
    if not DRAWS[0] <= asked.draws <= DRAWS[1]:
        raise InputError(f"--draws {asked.draws}: {DRAWS[0]} to {DRAWS[1]} are needed")


def _check_sky(asked: SubsAsked) -> None:
    from fourlight.sky.site import EXTINCTIONS_MAG

    if not 13 <= asked.sky <= 23:
        raise InputError(
            f"--sky {asked.sky:g}: V mag per square arcsec from 13 (bright city) to 23 are needed, such as 21"
        )
    if not 5 <= asked.altitude <= 90:
        raise InputError(f"--altitude {asked.altitude:g}: degrees from 5 to 90 are needed")
    least, most = EXTINCTIONS_MAG
    if asked.extinction is not None and not least <= asked.extinction <= most:
        raise InputError(
            f"--extinction {asked.extinction:g}: mag per air mass from {least:g} to {most:g} are needed; what air "
            "takes of the Moon's light is what brightens the sky"
        )
