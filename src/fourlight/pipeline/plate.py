"""The plate solution of star lists with what is known of place and scale, and what is told of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.errors import FourlightError, FrameError, InputError, StageError
from fourlight.frames import RawFrame, Role, StarList
from fourlight.io.cards import Card
from fourlight.io.header_values import angle
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import scan
from fourlight.pipeline.summary import arcsec_per_pixel
from fourlight.recipe import Measure
from fourlight.report.words import counted
from fourlight.sky.catalogue import CatalogueStars, cone
from fourlight.sky.objects import objects_near
from fourlight.sky.plate import PlateSolution, wcs_cards
from fourlight.sky.solving import FEWEST, solve, star_field
from fourlight.sky.starnames import names
from fourlight.stages.groups import ROLE_NAMES
from fourlight.stages.measure import measure

__all__ = [
    "Known",
    "Solved",
    "decimal_year",
    "facts",
    "place_from",
    "places_of",
    "solve_frame",
    "solved",
    "stars_on",
]

J2000 = 2000.0
NAMED = 12
"""Brightest catalogue stars of the picture that are named."""
OBJECTS = 10
"""Most prominent objects of the picture that are named."""
ANY_PATTERN = "RGGB"
"""Places of stars do not depend on which of the four samples is red."""
NO_SCALE = (
    "the scale is not known, for the header does not give pixel size and focal length; give --scale ARCSEC (arcsec "
    "per pixel)"
)


@dataclass(frozen=True, slots=True)
class Known:
    """What a user says of place and scale; None where nothing."""

    hint: tuple[float, float] | None = None
    """Right ascension and declination, degrees."""
    scale_arcsec: float | None = None


@dataclass(frozen=True, slots=True)
class Solved:
    """A plate solution and where it was looked for."""

    solution: PlateSolution
    looked_for: str
    """Such as "near the place that --hint gives"; where that is wrong, by how much."""


def solved(
    name: str, stars: StarList, shape: tuple[int, int], scale_arcsec: float | None,
    places: Sequence[tuple[str, tuple[float, float]]], epoch: float, *, anywhere: bool = True,
) -> Solved:  # fmt: skip
    """The plate solution of a picture, looked for near each place and then, with ``anywhere``, on the whole sky.

    Parameters
    ----------
    name : str
        Of the picture, for errors.
    stars : StarList
    shape : (int, int)
    scale_arcsec : float or None
    places : sequence of (str, (float, float))
        Who says so, and right ascension and declination near the middle.
    epoch : float
        Julian year.

    Raises
    ------
    InputError
        The scale is not known.
    StageError
        No solution can be proven.
    """
    if scale_arcsec is None:
        raise InputError(f"{name}: {NO_SCALE}")
    if len(stars) < FEWEST:
        raise StageError(
            "solve",
            name,
            f"{counted(len(stars), 'star')} found",
            f"{FEWEST} at least are needed: expose longer",
        )
    field = star_field(stars.x, stars.y, shape, scale_arcsec)
    said = []
    for who, place in places:
        found = solve(field, place, epoch=epoch)
        if isinstance(found, PlateSolution):
            return Solved(found, f"near the place that {who} gives")
        said.append(found.reason)
    if anywhere:
        found = solve(field, None, epoch=epoch)
        if isinstance(found, PlateSolution):
            middle = (found.ra_deg, found.dec_deg)
            off = [f"the place that {who} gives is {_apart(middle, place)} off" for who, place in places]
            return Solved(found, "; ".join(["on the whole sky", *off]))
        said.append(found.reason)
    advice = (
        "give --hint RA,DEC near the middle" if not places else "see that the place and --scale are right"
    )
    if stars.saturated.all():
        advice = "all stars are saturated, so that their places are uncertain: expose shorter"
    raise StageError("solve", name, f"{'; '.join(said)} ({len(stars)} stars in the picture)", advice)


def _apart(one: tuple[float, float], other: tuple[float, float]) -> str:
    """How far two places are from each other, in words.

    >>> _apart((40.0, 0.0), (40.0, 0.4)), _apart((40.0, 0.0), (40.0, -2.5)), _apart((40.0, 60.0), (220.0, 60.0))
    ('24′', '2.5°', '60°')
    """
    a, b = (
        np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
        for ra, dec in np.deg2rad([one, other])
    )
    angle = float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))
    return f"{angle:.0f}°" if angle >= 10 else f"{angle:.1f}°" if angle >= 1 else f"{60 * angle:.0f}′"


def solve_frame(path: Path, known: Known) -> dict[str, Any]:
    """The plate solution of one frame, which is only read.

    Raises
    ------
    InputError, FrameError, StageError
        It is no frame, its scale is not known, or no solution can be proven, as of a flat.
    """
    found = scan([path])
    if not found.frames:
        raise FrameError(str(path), found.set_aside[0].reason if found.set_aside else "is no frame")
    if len(found.frames) > 1:
        raise InputError(
            f"{path}: holds {len(found.frames)} frames; name one of them, or the OUT of a finished run"
        )
    frame = found.frames[0]
    image = open_pixels(frame, None).read(0, frame.ny, 0, frame.nx)
    full = np.inf if frame.saturation_adu is None else frame.saturation_adu
    seen = measure(frame, image, ANY_PATTERN, electrons=False, saturation=full, settings=Measure())
    where = [("--hint", known.hint)] if known.hint else places_of([frame])
    scale = known.scale_arcsec or arcsec_per_pixel(seen)
    epoch = decimal_year([frame.time])
    try:
        return facts(solved(path.name, seen.stars, (frame.ny, frame.nx), scale, where, epoch))
    except FourlightError as error:
        if frame.role is Role.LIGHT:
            raise
        one = ROLE_NAMES[frame.role][0]
        raise InputError(
            f"{path}: is a {one} by its header or name, and shows no field of stars; name a light"
        ) from error


def place_from(text: str, what: str) -> tuple[float, float]:
    """A place as people write it, degrees; ``what`` names the setting in the error.

    >>> place_from("83.82,-5.39", "--hint")
    (83.82, -5.39)
    >>> [round(value, 3) for value in place_from("5:35:17,-5:23:28", "--hint")]
    [83.821, -5.391]

    Raises
    ------
    InputError
        It is none.
    """
    parts = text.replace(";", ",").split(",")
    read = [angle(Card(part.strip(), "")) for part in parts]
    if len(read) == 2 and read[0] is not None and read[1] is not None:
        hours = read[0][1] and "d" not in read[0][2]
        ra, dec = read[0][0] * (15 if hours else 1), read[1][0]
        if 0 <= ra <= 360 and abs(dec) <= 90:
            return ra % 360, dec
    raise InputError(
        f"{what} {text}: no place on the sky; write right ascension and declination as degrees (83.82,-5.39) or as "
        "hours and degrees (5:35:17,-5:23:28)"
    )


def places_of(frames: Sequence[RawFrame]) -> list[tuple[str, tuple[float, float]]]:
    """Where the headers of frames say that they point: the first that says so."""
    said = [(frame.ra_deg, frame.dec_deg) for frame in frames]
    return [("the header", (ra, dec)) for ra, dec in said if ra is not None and dec is not None][:1]


def decimal_year(times: Sequence[datetime | None]) -> float:
    """Julian year of the middle of times; 2000 where none is known.

    >>> from datetime import timezone
    >>> decimal_year([datetime(2000, 1, 1, 12, tzinfo=timezone.utc), None])
    2000.0
    """
    known = sorted(time.timestamp() for time in times if time is not None)
    # 2000 January 1, 12h, in seconds since 1970; years of 365.25 days
    return J2000 + (known[len(known) // 2] - 946728000.0) / 31557600.0 if known else J2000


def facts(answer: Solved) -> dict[str, Any]:
    """What ``summary.json`` tells of a plate solution."""
    found = answer.solution
    scale = found.scale_arcsec
    named = stars_on(found, NAMED)
    x, y = found.pixel(named.ra_deg, named.dec_deg)
    return {
        "ra_deg": found.ra_deg,
        "dec_deg": found.dec_deg,
        "scale_arcsec_px": scale,
        "width_deg": found.nx * scale / 3600,
        "height_deg": found.ny * scale / 3600,
        "rotation_deg": found.rotation_deg,
        "mirrored": found.mirrored,
        "order": found.mapping.order,
        "stars": found.stars,
        "expected": found.expected,
        "rms_px": found.rms_px,
        "log10_chance": found.log10_chance,
        "epoch": found.epoch,
        "looked_for": answer.looked_for,
        "cards": {name: value for name, (value, _) in wcs_cards(found).items()},
        "named": [
            {
                "name": name, "ra_deg": float(named.ra_deg[k]), "dec_deg": float(named.dec_deg[k]),
                "v_mag": round(float(named.v_mag[k]), 2), "b_v": round(float(named.b_v[k]), 2),
                "x_px": float(x[k]), "y_px": float(y[k]),
            }
            for k, name in enumerate(names(named))
        ],
        "objects": objects_on(found, OBJECTS),
    }  # fmt: skip


def objects_on(solution: PlateSolution, most: int) -> list[dict[str, Any]]:
    """The most prominent objects whose middle is on a picture, and where."""
    reach = 0.5 * np.hypot(solution.nx, solution.ny) * solution.scale_arcsec / 3600
    near = objects_near(solution.ra_deg, solution.dec_deg, min(1.05 * reach, 90.0))
    x, y = solution.pixel([each.ra_deg for each in near], [each.dec_deg for each in near])
    inside = (x >= 0) & (x <= solution.nx - 1) & (y >= 0) & (y <= solution.ny - 1)
    return [
        asdict(near[k]) | {"x_px": float(x[k]), "y_px": float(y[k])} for k in np.flatnonzero(inside)[:most]
    ]


def stars_on(solution: PlateSolution, most: int, apart: float = 0.03) -> CatalogueStars:
    """The brightest catalogue stars on a picture, none nearer to a brighter one than a share of the width."""
    reach = 0.55 * np.hypot(solution.nx, solution.ny) * solution.scale_arcsec / 3600
    stars = cone(solution.ra_deg, solution.dec_deg, reach, epoch=solution.epoch)
    x, y = solution.pixel(stars.ra_deg, stars.dec_deg)
    inside = np.flatnonzero((x >= 0) & (x <= solution.nx - 1) & (y >= 0) & (y <= solution.ny - 1))
    place = np.column_stack([x, y])
    kept: list[int] = []
    for k in inside:
        if all(np.hypot(*(place[k] - place[j])) > apart * solution.nx for j in kept):
            kept.append(int(k))
        if len(kept) == most:
            break
    return stars.chosen(np.array(kept, dtype=np.int64))
