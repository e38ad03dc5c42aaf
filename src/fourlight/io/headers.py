"""What FITS headers say of a frame, in the spellings found in practice.

The FITS Standard knows few of these keywords (OBJECT, INSTRUME, DATAMAX, the dates): the lists are common
practice, no source. Where a value can mean two things the decision is cautious and becomes a sentence in
``problems``.
"""

from __future__ import annotations

import re
from typing import Any

from fourlight.core.cfa import PATTERNS, cropped, flipped
from fourlight.io.cards import Cards
from fourlight.io.dates import from_cards
from fourlight.io.header_places import position, site
from fourlight.io.header_values import first_number, first_text, number

__all__ = ["facts"]

LONGEST_S = 1e8
"""Numbers beyond this (three years; a day in milliseconds is less) are no exposure."""
EXPOSURES = ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXPOTIME", "EXPOSTIM", "INTTIME", "ITIME", "SHUTTER")
ISO_SETTINGS = ("ISO", "ISOSPEED", "ISOSETTI", "GAINSET", "GAINRAW", "CAMGAIN")
ELECTRON_GAINS = ("EGAIN", "GAINEADU", "E_GAIN", "CONVGAIN")
LOWEST_GAIN, HIGHEST_GAIN = 1e-4, 1000.0
"""Electrons per ADU; numbers beyond are none."""
OFFSETS = ("OFFSET", "BLKLEVEL", "BLACKLVL", "CAMOFFS")
FILTERS = ("FILTER", "FILTER1", "FILTNAM", "FILTERNM", "FILT-NAM", "INSFLNAM")
CAMERAS = ("INSTRUME", "CAMERA", "CAMMODEL", "DETECTOR", "MODEL", "CAMID")
TARGETS = ("OBJECT", "OBJNAME", "TARGET", "FIELD")
TEMPERATURES = ("CCD-TEMP", "CCD_TEMP", "CCDTEMP", "DET-TEMP", "DETTEMP", "SENSTEMP", "CAMTEMP", "TEMPERAT")
SET_TEMPERATURES = ("SET-TEMP", "SETTEMP", "SET_TEMP", "CCDTSET")
BINNINGS = ("XBINNING", "CCDXBIN", "BINX", "XBIN", "BINNING", "BIN", "CCDSUM")
PIXEL_SIZES = ("XPIXSZ", "PIXSIZE1", "XPIXSIZE", "PIXSIZE", "PIXELSZ", "XPIXELSZ", "PIXSZ")
FOCAL_LENGTHS = ("FOCALLEN", "FOCALLN", "FOCLEN", "FOCAL", "TELFOCAL", "TELFOCLN")
APERTURES = ("APTDIA", "APERTDIA", "TELAPER")
READ_NOISES = ("RDNOISE", "READNOIS", "RNOISE", "RON", "ENOISE")
FULL_LEVELS = ("SATURATE", "SATLEVEL", "SATURATI", "MAXLIN")
MOSAICS = ("BAYERPAT", "CFATYPE", "CFAPAT", "CFA-PAT", "COLORTYP", "BAYER", "BAYERPTN", "MOSAIC", "FILTER")


def facts(cards: Cards, ny: int, nx: int, bitpix: int) -> dict[str, Any]:
    """Fields of `fourlight.frames.RawFrame` that the cards state, plus ``problems``.

    Parameters
    ----------
    cards : Cards
        Of the image's unit and the primary header.
    ny, nx : int
        Size of the image; a mosaic stored bottom-up changes phase with it.
    bitpix : int
        Number type of the stored samples (BITPIX).
    """
    problems: list[str] = []
    exposure = _exposure(cards, problems)
    time, has_clock = from_cards(cards, exposure)
    found: dict[str, Any] = {"exposure_s": exposure, "time": time if has_clock else None}
    if time is not None and not has_clock:
        problems.append("the date has no time of day and is taken as that of the evening")
        found["night"] = time.date().isoformat()
    # LOCAL: of a clock that runs by itself (FITS Standard 4.0 section 9.2.1, as remembered)
    scale = first_text(cards, ("TIMESYS",))
    found["zone_known"] = scale is None or scale[0].upper() != "LOCAL"
    found |= _gain(cards, problems) | _labels(cards, problems) | _optics(cards) | _levels(cards, bitpix)
    found |= position(cards) | site(cards) | _mosaic(cards, ny, nx, problems)
    unread = _unread(cards, found)
    return {**found, "unread": unread, "problems": (*problems, *(words for _, words in unread))}


def _unread(cards: Cards, found: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Facts that are not known although a card of their name holds text that is no number: field, and that text."""
    named = {
        "exposure_s": EXPOSURES[:-1],  # SHUTTER may say whether it was open
        "gain_setting": (*ISO_SETTINGS, "GAIN", "CCDGAIN"),
        "offset_setting": OFFSETS,
        "temperature_c": (*TEMPERATURES, *SET_TEMPERATURES),
    }
    odd = {
        field: first_text(cards, [name for name in names if name in cards and number(cards[name]) is None])
        for field, names in named.items()
        if found[field] is None
    }
    return tuple((field, f"{text[1]} card '{text[0]}' not readable") for field, text in odd.items() if text)


def _exposure(cards: Cards, problems: list[str]) -> float | None:
    """Seconds. The unit is seconds unless value or comment say otherwise."""
    found = first_number(cards, EXPOSURES, low=0, high=LONGEST_S)
    if found is None:
        micro = first_number(cards, ("EXPOINUS",), low=0, high=LONGEST_S * 1e6)
        return micro[0] * 1e-6 if micro else None
    value = found[0] * _seconds(found[1])
    others = [name for name in EXPOSURES[:2] if name != found[2]]
    other = first_number(cards, others, low=0, high=LONGEST_S)
    second = other[0] * _seconds(other[1]) if other else value
    if other and abs(second - value) > 0.01 * value + 1e-3:
        problems.append(f"{found[2]} says {value:g} s, {other[2]} {second:g} s; the first is used")
    return value


def _seconds(unit: str) -> float:
    if re.search(r"\b(ms|msecs?|milli-?sec\w*)\b", unit):
        return 1e-3
    if re.search(r"\b(us|µs|usecs?|micro-?sec\w*)\b", unit):
        return 1e-6
    return 60.0 if re.search(r"\[min\w*\]|^min\w*\b|\bin minutes\b", unit) else 1.0


def _gain(cards: Cards, problems: list[str]) -> dict[str, Any]:
    """Camera setting against electrons per ADU. GAIN is used for both; unit, size and other cards decide."""
    setting = first_number(cards, ISO_SETTINGS, low=0)
    stated = first_number(cards, ELECTRON_GAINS, LOWEST_GAIN, HIGHEST_GAIN)
    gain = first_number(cards, ("GAIN", "CCDGAIN"), low=0)
    result: dict[str, Any] = {
        "gain_setting": setting[0] if setting else None,
        "gain_e_per_adu": _electrons(stated[0], stated[1]) if stated else None,
    }
    if gain is None:
        return result
    value, unit, name = gain
    if _names_electrons(unit) and LOWEST_GAIN <= value <= HIGHEST_GAIN:
        result["gain_e_per_adu"] = result["gain_e_per_adu"] or _electrons(value, unit)
    elif stated and abs(stated[0] - value) < 1e-6 * value:
        pass  # the same fact twice
    elif stated is None and value < 10 and value != int(value):
        result["gain_e_per_adu"] = value
        problems.append(f"{name} = {value:g} states no unit; taken as electrons per ADU")
    elif setting is None:
        result["gain_setting"] = value
    return result


def _names_electrons(unit: str) -> bool:
    return bool(re.search(r"\be-?\s*/|electrons?(?![a-z])|\be-?\s*per\b|/\s*e\b|/\s*e-", unit))


def _electrons(value: float, unit: str) -> float:
    """Electrons per ADU, also from a value in ADU per electron."""
    inverse = re.search(r"(adu|dn|counts?)\s*(/|per)\s*e", unit)
    return 1.0 / value if inverse else value


def _labels(cards: Cards, problems: list[str]) -> dict[str, Any]:
    """Settings to match frames by: offset, temperature, filter, binning, names."""
    offset = first_number(cards, OFFSETS, low=0)
    filters = [found for name in FILTERS if (found := first_text(cards, (name,)))]
    names = [text for text, _ in filters if _letters(text) not in PATTERNS]
    camera, target = first_text(cards, CAMERAS), first_text(cards, TARGETS)
    binning = first_number(cards, BINNINGS, low=1, high=16)
    if binning and binning[0] > 1:
        problems.append(f"binned {binning[0]:g} x {binning[0]:g}: the mosaic may not have survived")
    return {
        "offset_setting": offset[0] if offset else None,
        "temperature_c": _temperature(cards),
        "filter_name": names[0] if names else None,
        "binning": int(binning[0]) if binning else 1,
        "camera": camera[0] if camera else None,
        "object_name": target[0] if target else None,
    }


def _temperature(cards: Cards) -> float | None:
    """Degrees C; the measured sensor temperature before the one that was asked for."""
    found = first_number(cards, (*TEMPERATURES, *SET_TEMPERATURES), low=-273.15, high=400)
    if found is None:
        return None
    kelvin = found[0] > 100 or bool(re.search(r"\bkelvin\b|^k\b|\[k\]", found[1]))
    value = found[0] - 273.15 if kelvin else found[0]
    return value if -120 <= value <= 80 else None


def _optics(cards: Cards) -> dict[str, Any]:
    """Pixel pitch (micrometres; metres and millimetres are told by size), focal length and aperture (millimetres)."""
    pixel = first_number(cards, PIXEL_SIZES, low=1e-7)
    pitch = pixel[0] * (1e6 if pixel[0] < 1e-4 else 1e3 if pixel[0] < 0.1 else 1) if pixel else None
    focal = first_number(cards, FOCAL_LENGTHS, low=1e-3)
    length = _millimetres(focal, 50)
    wide = _millimetres(first_number(cards, APERTURES, low=1e-3), 20)
    return {
        "pixel_um": pitch if pitch is not None and 0.3 <= pitch <= 100 else None,
        "focal_mm": length if length is not None and 2 <= length <= 200_000 else None,
        "aperture_mm": wide if wide is not None and 2 <= wide <= 50_000 else None,
    }


def _millimetres(found: tuple[float, str, str] | None, metres: float) -> float | None:
    """A length in millimetres; one below ``metres`` whose comment says metres is in metres."""
    if found is None:
        return None
    said = re.search(r"\[m\]|^m\b|\bin m\b|\bmet(er|re)s\b", found[1])
    return found[0] * (1e3 if found[0] < metres and said else 1)


def _levels(cards: Cards, bitpix: int) -> dict[str, Any]:
    """Pedestal, full level and read noise. The sign of PEDESTAL differs between writers; its size is used."""
    pedestal = first_number(cards, ("PEDESTAL",))
    noise = first_number(cards, READ_NOISES, low=1e-3, high=1000)
    full = first_number(cards, FULL_LEVELS, low=1)
    highest = first_number(cards, ("DATAMAX",), low=255)
    if full is None and highest and any(abs(highest[0] + 1 - 2**bits) <= 1 for bits in range(8, 17)):
        full = highest  # elsewhere DATAMAX holds the highest sample of this very frame
    in_adu = bool(noise and re.search(r"\b(adu|dn|counts)\b", noise[1]) and not _names_electrons(noise[1]))
    return {
        "black_adu": abs(pedestal[0]) if pedestal and pedestal[0] else None,
        "read_noise_e": noise[0] if noise and not in_adu else None,
        "saturation_adu": full[0] if full else _type_limit(cards, bitpix),
    }


def _type_limit(cards: Cards, bitpix: int) -> float | None:
    """Highest value of the number type for 8 and 16-bit integers."""
    if bitpix not in (8, 16):
        return None
    scale, zero = first_number(cards, ("BSCALE",)), first_number(cards, ("BZERO",))
    top = 255 if bitpix == 8 else 32767
    return top * (scale[0] if scale else 1.0) + (zero[0] if zero else 0.0)


def _letters(text: str) -> str:
    return re.sub(r"[^A-Z]", "", text.upper())


def _mosaic(cards: Cards, ny: int, nx: int, problems: list[str]) -> dict[str, Any]:
    """Pattern in array order. No FITS standard has these cards: offsets and row order are common practice."""
    stated = [(_letters(str(cards[name].value or "")), name) for name in MOSAICS if name in cards]
    found = next(((letters, name) for letters, name in stated if letters in PATTERNS), None)
    if found is None:
        if stated and stated[0][1] != "FILTER" and len(stated[0][0]) == 4:
            problems.append(f"{stated[0][1]} = {stated[0][0]} is no mosaic of R, G, G, B")
        return {"mosaic": None, "mosaic_source": "none"}
    pattern, source = found
    dx = first_number(cards, ("XBAYROFF", "BAYOFFX", "BAYROFFX"))
    dy = first_number(cards, ("YBAYROFF", "BAYOFFY", "BAYROFFY"))
    shift = (int(dy[0]) if dy else 0) % 2, (int(dx[0]) if dx else 0) % 2
    if any(shift):
        pattern = cropped(pattern, *shift)
        source += "".join(f", {part[2]}" for part in (dx, dy) if part)
    order = first_text(cards, ("ROWORDER",))
    if order and "BOTTOM" in order[0].upper():
        pattern = flipped(pattern, ny, nx, vertical=True)
        source += ", ROWORDER"
    return {"mosaic": pattern, "mosaic_source": source}
