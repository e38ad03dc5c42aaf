"""A planned night as facts and as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fourlight.report.clock import Clock, span_words
from fourlight.report.responses import in_columns
from fourlight.report.sub_words import needed_lines, snr_lines, sub_facts, sub_lines
from fourlight.sky.crossings import upper_edge_deg
from fourlight.sky.site import UNNAMED
from fourlight.stages.plan_night import Night, Place, stretches
from fourlight.stages.plan_sight import HALF
from fourlight.stages.plan_whole import Planned

__all__ = ["CARE", "ahead_rows", "moon_words", "night_rows", "object_rows", "objects_words", "planned_facts",
           "planned_lines", "site_words", "table_rows", "tonight_lines", "usable_words"]  # fmt: skip

Facts = dict[str, Any]

CARE = (
    "Sun: never point optics near it, and leave no uncovered lens or mirror in daylight.",
    "Light: no lasers towards aircraft; red light and quiet where others observe.",
    "Power: mains leads and batteries stay dry and off the ground, dew comes every clear night.",
    "Place: ask before you enter private land, tell somebody where you are, know the way in the dark.",
    "Local rules come first in all of this.",
)
ROW_MIN = 30
"""Minutes between rows of the table."""
LISTED = 15
"""Nights ahead that are listed by themselves; of more, months are told and the best of them."""


def planned_facts(planned: Planned, assumed: Sequence[str]) -> Facts:
    """Everything as numbers; moments are ISO dates in UTC."""
    night, wanted = planned.night, planned.wanted
    place = wanted.place
    return {
        "site": {
            "name": night.site.name, "latitude_deg": night.site.latitude_deg, "longitude_deg": night.site.longitude_deg,
            "height_m": night.site.height_m, "sky_mag": night.site.sky_mag, "extinction_mag": night.site.extinction_mag,
            "skyline": night.site.skyline.source if night.site.skyline else None,
        },
        "evening": night.evening.isoformat(),
        "sun": {name: [_iso(at) for at in both] for name, both in night.sun_events.items()},
        "dark": [[_iso(a), _iso(b)] for a, b in night.dark],
        "moon": {
            "events": [{"at": _iso(at), "rises": up} for at, up in night.moon_events],
            "lit": night.lit_share,
        },
        "target": None if place is None else {"name": place.name, "ra_deg": place.ra_deg, "dec_deg": place.dec_deg,
                                              **_target_facts(planned)},
        "tonight": None if planned.tonight is None else {
            **sub_facts(planned.tonight.sub), "snr": planned.tonight.snr, "needed": _needed(planned.tonight.needed),
        },
        "objects": [
            {"name": one.each.name, "also": one.each.also, "kind": one.each.kind, "ra_deg": one.each.ra_deg,
             "dec_deg": one.each.dec_deg, "longest_arcmin": one.each.longest_arcmin, "share_of_field": one.share,
             "hours": one.hours, "highest_deg": one.highest_deg, "best": _iso(one.best_s),
             "moon_apart_deg": one.moon_apart_deg}
            for one in planned.suited
        ],
        "ahead": _ahead_facts(planned),
        "assumed": list(assumed),
        "care": list(CARE),
    }  # fmt: skip


def _iso(moment_s: float | None) -> str | None:
    from datetime import UTC, datetime

    return None if moment_s is None else datetime.fromtimestamp(round(moment_s), UTC).isoformat()


def _needed(needed: Any) -> Facts | None:
    from dataclasses import asdict

    return None if needed is None else asdict(needed)


def _target_facts(planned: Planned) -> Facts:
    night = planned.night
    sight = planned.sight
    assert sight is not None
    best = sight.best
    rows = [
        {"at": _iso(float(night.moments_s[k])), "altitude_deg": float(sight.target.altitude_deg[k]),
         "azimuth_deg": float(sight.target.azimuth_deg[k]), "air_mass": _known(sight.air_mass[k]),
         "moon_altitude_deg": float(night.moon.altitude_deg[k]), "moon_apart_deg": float(sight.moon_apart_deg[k]),
         "moon_lit": float(night.lit[k]), "sky_mag": float(sight.sky.mag[k]),
         "spread_arcsec": _known(planned.spread_arcsec[k]), "usable": bool(sight.usable[k])}
        for k in table_rows(night)
    ]  # fmt: skip
    return {
        "highest_deg": sight.highest_deg,
        "meridian": [_iso(at) for at in sight.meridian_s],
        "usable_h": sight.usable_h,
        "worth_h": sight.worth_h,
        "best": None if best is None else {"from": _iso(best[0]), "to": _iso(best[1]), "worth_h": best[2]},
        "next_evening": planned.next_evening.isoformat() if planned.next_evening else None,
        "rows": rows,
    }


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _ahead_facts(planned: Planned) -> list[Facts] | None:
    ahead = planned.ahead
    if ahead is None:
        return None
    columns = (ahead.dark_h, ahead.moonless_h, ahead.target_h, ahead.ready_h, ahead.lit)
    names = ("dark_h", "moonless_h", "target_h", "ready_h", "moon_lit")
    return [
        {
            "evening": evening.isoformat(),
            **{name: float(column[k]) for name, column in zip(names, columns, strict=True)},
        }
        for k, evening in enumerate(ahead.evenings)
    ]


def table_rows(night: Night) -> list[int]:
    """Minutes of the night, every half hour of the clock, while it is dark."""
    dark = night.dark_now
    whole = np.round(night.moments_s / 60).astype(np.int64) % ROW_MIN == 0
    return [int(k) for k in np.flatnonzero(dark & whole)]


def site_words(night: Night) -> str:
    """The site in words."""
    site = night.site
    north = f"{abs(site.latitude_deg):.3f} {'N' if site.latitude_deg >= 0 else 'S'}"
    east = f"{abs(site.longitude_deg):.3f} {'E' if site.longitude_deg >= 0 else 'W'}"
    behind = f"; skyline of {site.skyline.source}" if site.skyline else ""
    named = "" if site.name == UNNAMED else f"{site.name}: "
    return (
        f"{named}{north}, {east}, {site.height_m:.0f} m; sky {site.sky_mag:.1f} mag per square arcsec{behind}"
    )


def planned_lines(planned: Planned, clock: Clock, assumed: Sequence[str]) -> list[str]:
    """The night as text: what happens, the table, the sub, nights ahead, what was assumed, what to take care of."""
    night = planned.night
    lines = [f"site    {site_words(night)}", *_event_lines(night, clock)]
    if planned.wanted.place is not None:
        lines += _target_lines(planned, planned.wanted.place, clock)
    if planned.suited:
        lines += ["", objects_words(planned), *in_columns(object_rows(planned, clock))]
    if planned.tonight is not None:
        lines += ["", *tonight_lines(planned)]
    if planned.ahead is not None:
        rows, best = ahead_rows(planned)
        lines += ["", "hours of the nights ahead", *in_columns(rows), *([best] if best else [])]
    return [*lines, "", *(f"assumed: {each}" for each in assumed), *(f"take care: {each}" for each in CARE)]


def tonight_lines(planned: Planned) -> list[str]:
    """Length of subs, signal over noise of the night, and what the goal takes."""
    assert planned.tonight is not None
    assert planned.sight is not None
    wish, tonight = planned.wanted.wish, planned.tonight
    where = f"for the {wish.target.name}, under the middle sky of the usable time"
    reached = snr_lines(tonight.snr, wish, f"all {span_words(planned.sight.usable_h)} of usable time")
    return [*sub_lines(tonight.sub, wish, where), *reached, *needed_lines(tonight.needed)]


def _event_lines(night: Night, clock: Clock) -> list[str]:
    events = night.sun_events
    after = clock.at(float(night.moments_s[-1]))
    evening, morning = ([f"{word} {clock.hm(events[name][side])}" for name, word in words] for side, words in (
        (0, (("sunset", "sets"), ("civil", "civil"), ("nautical", "nautical"), ("astronomical", "astronomical"))),
        (1, (("astronomical", "astronomical"), ("nautical", "nautical"), ("civil", "civil"), ("sunset", "rises"))),
    ))  # fmt: skip
    dark = ", ".join(f"{clock.hm(a)} to {clock.hm(b)} ({span_words((b - a) / 3600)})" for a, b in night.dark)
    return [
        f"night   {night.evening} to {after:%Y-%m-%d}, times in {clock.name}",
        f"dusk    {', '.join(evening)}",
        f"dawn    {', '.join(morning)}",
        f"dark    {dark}, with the Sun more than {night.goal.sun_below_deg:g} degrees down",
        f"Moon    {moon_words(night, clock)}; {100 * night.lit_share:.0f} % lit",
    ]


def _target_lines(planned: Planned, place: Place, clock: Clock) -> list[str]:
    night = planned.night
    sight = planned.sight
    assert sight is not None
    least = night.goal.least_altitude_deg
    highest = sight.highest_deg
    spelled = f"{place.ra_deg:.3f}, {place.dec_deg:+.3f}"
    named = place.name if place.name == spelled else f"{place.name}, {spelled}"
    passage = ", ".join(clock.hm(at) for at in sight.meridian_s) or "not this night"
    lines = [
        f"target  {named}; {highest:.0f} degrees high at most",
        f"flip    passes the meridian at {passage}: a mount that stands on one side of it turns over then",
    ]
    behind = " and clear of the skyline" if night.site.skyline else ""
    if not sight.usable.any():
        later = (
            f"next night with it: {planned.next_evening}" if planned.next_evening else "nor in the next year"
        )
        return [*lines, f"usable  none: it is never {least:g} degrees high{behind} while it is dark; {later}"]
    lines.append(f"usable  {usable_words(planned, clock)}")
    if sight.best:
        start, end, worth = sight.best
        lines.append(
            f"best    {clock.hm(start)} to {clock.hm(end)}, worth {span_words(worth)}: outside of it an hour is worth "
            f"less than {100 * HALF:.0f} % of the best"
        )
    return [*lines, "", *in_columns(night_rows(planned, clock))]


def moon_words(night: Night, clock: Clock) -> str:
    """When the Moon rises and sets, or that it does neither."""
    passed = [f"{'rises' if up else 'sets'} {clock.hm(at)}" for at, up in night.moon_events]
    always = "up" if upper_edge_deg(night.moon).max() > 0 else "down"
    return ", ".join(passed) or f"{always} from noon to noon"


def usable_words(planned: Planned, clock: Clock) -> str:
    """When the target is up in the dark, and what that is worth."""
    night, sight = planned.night, planned.sight
    assert sight is not None
    ends = [(float(night.moments_s[a]), float(night.moments_s[b])) for a, b in stretches(sight.usable)]
    runs = ", ".join(f"{clock.hm(a)} to {clock.hm(b)}" for a, b in ends)
    behind = " and clear of the skyline" if night.site.skyline else ""
    return (
        f"{runs}: {span_words(sight.usable_h)} dark and {night.goal.least_altitude_deg:g} degrees high or more{behind}"
        f", worth {span_words(sight.worth_h)} in the zenith of the moonless sky"
    )


def night_rows(planned: Planned, clock: Clock) -> list[list[str]]:
    """Cells of the night every half hour: a head, its units, then one row for each."""
    night = planned.night
    rows = [[clock.name, "altitude", "azimuth", "air mass", "Moon high", "Moon apart", "sky mag", "blue-red", ""],
            ["", "deg", "deg", "", "deg", "deg", "/arcsec2", "arcsec", ""]]  # fmt: skip
    sight = planned.sight
    assert sight is not None
    for k in table_rows(night):
        high = float(sight.target.altitude_deg[k])
        spread = planned.spread_arcsec[k]
        rows.append([
            clock.hm(float(night.moments_s[k])), f"{round(high)}", f"{sight.target.azimuth_deg[k]:.0f}",
            f"{sight.air_mass[k]:.2f}" if high > 5 else "-", f"{round(float(night.moon.altitude_deg[k]))}",
            f"{sight.moon_apart_deg[k]:.0f}", f"{sight.sky.mag[k]:.2f}" if high > 5 else "-",
            f"{spread:.1f}" if np.isfinite(spread) else "-", "usable" if sight.usable[k] else "",
        ])  # fmt: skip
    return rows


def object_rows(planned: Planned, clock: Clock) -> list[list[str]]:
    """Cells of the objects that suit: a head, then one row for each."""
    rows = [["object", "called", "kind", "arcmin", "of field", "hours", "highest", "at", "Moon apart"]]
    for one in planned.suited:
        size = f"{one.each.longest_arcmin:.0f} x {one.each.shortest_arcmin or one.each.longest_arcmin:.0f}"
        rows.append([
            one.each.name, one.each.also or "", one.each.kind, size, f"{100 * one.share:.0f} %", f"{one.hours:.1f}",
            f"{one.highest_deg:.0f}", clock.hm(one.best_s), f"{one.moon_apart_deg:.0f}",
        ])  # fmt: skip
    return rows


def objects_words(planned: Planned) -> str:
    """What suits means."""
    rig = planned.wanted.rig
    wide, high = (rig.optics.field_deg(side) for side in rig.chip.sides_mm)
    return (
        f"objects that suit a field of {wide:.2f} x {high:.2f} degrees (longest axis 15 to 110 % of its short side), "
        "named ones and prominent ones first; hours in which they are up in the dark, when they stand highest in them"
    )


def ahead_rows(planned: Planned) -> tuple[list[list[str]], str]:
    """Cells of the nights ahead, or of their months where they are many, and which nights are best."""
    ahead = planned.ahead
    assert ahead is not None
    with_target = planned.wanted.place is not None
    head = ["night", "dark", "no Moon", *(["target up", "both"] if with_target else []), "Moon lit"]
    columns = [ahead.dark_h, ahead.moonless_h, *([ahead.target_h, ahead.ready_h] if with_target else [])]
    last = columns[-1]
    if len(ahead.evenings) <= LISTED:
        rows = [[f"{evening}", *(f"{column[k]:.1f}" for column in columns), f"{100 * ahead.lit[k]:.0f} %"]
                for k, evening in enumerate(ahead.evenings)]  # fmt: skip
        return [head, *rows], ""
    months = sorted({f"{evening:%Y-%m}" for evening in ahead.evenings})
    of = np.array([f"{evening:%Y-%m}" for evening in ahead.evenings])
    rows = [[month, *(f"{column[of == month].sum():.0f}" for column in columns), f"{(last[of == month] >= 2).sum()}"]
            for month in months]  # fmt: skip
    best = sorted(np.argsort(-last, kind="stable")[: LISTED // 2].tolist())
    shown = ", ".join(f"{ahead.evenings[k]} ({last[k]:.1f} h)" for k in best if last[k] > 0) or "none"
    return [["month", *head[1:-1], "nights of 2 h"], *rows], f"best nights: {shown}"
