"""The files of lines: maps with their covariances, facts, and pictures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from fourlight import __version__
from fourlight.core.spectra import LINES_NM
from fourlight.io.export import save_picture
from fourlight.io.fits_amending import COORDINATES
from fourlight.io.fits_writing import write_planes
from fourlight.io.room import writing
from fourlight.pipeline import outputs
from fourlight.pipeline.line_request import Found
from fourlight.report.figure_pictures import EACH_LESS, planes_figure
from fourlight.report.figure_style import WIDE, write_figure
from fourlight.stages.line_kinds import EXTENSION

__all__ = ["FACTS", "MAPS", "PICTURES", "sky_cards", "write_lines"]

Float32 = npt.NDArray[np.float32]
Cards = dict[str, tuple[Any, str]]

WITHOUT_STARS = (
    "Where stars stand, lines are shown as around them: what the difference of both stacks leaves of stars there is in "
    "lines.fits alone."
)
MAPS, FACTS, PICTURES = "lines.fits", "lines.json", "lines"


def sky_cards(stack: Path) -> Cards:
    """Cards of the plate solution of a stack, without zero points of its planes; none where it has none."""
    with fits.open(stack, memmap=True) as units:
        header = units[1].header
        return {
            card.keyword: (card.value, card.comment)
            for card in header.cards
            if COORDINATES.fullmatch(card.keyword)
        }


def write_lines(place: Path, found: Found, cards: Cards, quality: int = 93, threads: int = 1) -> None:
    """Write maps, facts and pictures into a folder.

    Parameters
    ----------
    place : Path
    found : Found
    cards : dict
        Of sky coordinates, for all maps.
    quality : int
        Of JPEG pictures.
    threads : int

    Raises
    ------
    OutputError
        They cannot be written.
    """
    write_planes(place / MAPS, _primary(found.facts), _extensions(found, cards))
    outputs.write_json(place / FACTS, found.facts)
    with writing(place / PICTURES):
        (place / PICTURES).mkdir(exist_ok=True)
    for name, picture in found.pictures.items():
        save_picture(picture, place / PICTURES / name, quality, threads)
    maps = {kind["name"]: found.shown.light[name] for name, kind in found.facts["kinds"].items()}
    note = EACH_LESS if found.shown is found.maps else f"{EACH_LESS} {WITHOUT_STARS}"
    drawn = planes_figure(maps, title="Light of each line under one stretch", note=note, width=WIDE)
    write_figure(place / PICTURES, "maps", drawn, vector=False)


def _primary(facts: Mapping[str, Any]) -> Cards:
    cards: Cards = {
        "CREATOR": (f"fourlight {__version__}", "program that made this file"),
        "CAMERA": (outputs.plain_text(facts["camera"]), ""),
        "FILTER": (outputs.plain_text(facts["filter"]), ""),
        "LEARNED": (bool(facts["stars"]["used"]), "stars of known colour improved the matrix"),
    }
    if facts["broadband"]:
        cards["BROADBND"] = (outputs.plain_text(facts["broadband"]["name"]), "stack beside it")
    return cards


def _extensions(found: Found, cards: Cards) -> Iterator[tuple[str, Any, Cards]]:
    facts, maps = found.facts, found.maps
    kinds = facts["kinds"]
    for name in kinds:
        factor, about = np.float32(kinds[name]["factor"]), _about(name, facts)
        yield EXTENSION[name], _times(maps.light[name], factor), {**about, **cards}
        unit = (f"{about['BUNIT'][0]}2", "mean over n pixels has variance VAR/n")
        yield (
            f"VAR_{EXTENSION[name]}", _times(maps.variance(name), factor**2),
            {**about, "BUNIT": unit, **cards},
        )  # fmt: skip
    for (one, other), power in maps.covariance.items():
        if one != other and one in kinds and other in kinds:
            factor = np.float32(kinds[one]["factor"] * kinds[other]["factor"])
            units = f"{kinds[one]['unit']} {kinds[other]['unit']}"
            unit = (
                units if kinds[one]["unit"] != kinds[other]["unit"] else f"{kinds[one]['unit']}2",
                "as VAR_",
            )
            yield f"COV_{EXTENSION[one]}_{EXTENSION[other]}", _times(power, factor), {"BUNIT": unit, **cards}


def _times(plane: Float32, factor: np.float32) -> Float32:
    return plane if factor == 1 else plane * factor


def _about(name: str, facts: Mapping[str, Any]) -> Cards:
    """Cards of one kind of light."""
    kind = facts["kinds"][name]
    meaning = (
        "this light gave a mean sample" if kind["unit"] == "electron" else "of this light, its own line alone"
    )
    cards: Cards = {
        "BUNIT": (kind["unit"], meaning),
        "LIGHT": (EXTENSION[name], "kind of light"),
    }
    if name in LINES_NM:
        cards["WAVELEN"] = (LINES_NM[name], "[nm] in air")
    if kind["noise_correlation"]:
        cards["NOISCORR"] = (round(kind["noise_correlation"], 5), "scatter of single pixels over sqrt(VAR)")
    if kind["per_photon"]:
        cards["PERPHOT"] = (kind["per_photon"], "electrons of a mean sample per photon")
    cards["SYSERR"] = (kind["scale_error"], "part by which all may be off, one sigma")
    if np.isfinite(kind["sky_error"]):
        darkest = "one sigma by darkest parts: field is filled"
        meaning = darkest if facts["filled"] else "sky level, one sigma, common to all pixels"
        cards["SKYERR"] = (kind["sky_error"], meaning)
    for other, leak in facts["leak"][name].items():
        if other != name:
            cards[f"LK{EXTENSION[other]}"[:8]] = (leak, "photons of it told here, per photon, sigma")
    return cards
