"""What is to be photographed and reached, and under which Moon, as somebody who plans writes it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.sensor.rig import Rig
    from fourlight.stages.compare_setup import Setup
    from fourlight.stages.plan_light import Target
    from fourlight.stages.plan_skies import Moonlight
    from fourlight.stages.plan_wish import Wish

__all__ = ["light_of", "light_of_setups", "moon_from", "wish_of"]

USUAL_K = 5000.0
"""Colour of a continuum of which nobody states it."""


def light_of(
    rig: Rig, kind: str | None, surface: str | None, lines: list[str] | None
) -> tuple[Target, list[str]]:
    """Brightness of the target, and what was assumed of it."""
    from fourlight.stages.plan_light import usual_target

    return _named_light(usual_target(rig), kind, surface, lines)


def light_of_setups(
    setups: Sequence[Setup], kind: str | None, surface: str | None, lines: list[str] | None
) -> tuple[Target, list[str]]:
    """The same for setups that are compared: a faint nebula where one of them has narrow filters alone."""
    from fourlight.stages.plan_light import KINDS

    narrow = any(all(each.narrow for each in setup.glass) for setup in setups)
    return _named_light(KINDS["faint-nebula" if narrow else "galaxy"], kind, surface, lines)


def _named_light(
    usual: Target, kind: str | None, surface: str | None, lines: list[str] | None
) -> tuple[Target, list[str]]:
    target, said = _stated_light(usual, kind, surface, lines)
    return target, [*said, *_beside_halpha(target)]


def _beside_halpha(target: Target) -> list[str]:
    """What counts as Hα though it is none."""
    from fourlight.sensor.mixing import Ratios

    if "halpha" not in target.rayleigh:
        return []
    beside = f"{Ratios().nii:g} of [NII] 658.3, a third as many of 654.8, and Hβ as hydrogen has it"
    return [f"with each photon of Hα come {beside}; they count as Hα where the filter passes them"]


def _stated_light(
    usual: Target, kind: str | None, surface: str | None, lines: list[str] | None
) -> tuple[Target, list[str]]:
    from fourlight.stages.plan_light import Target, kind_named

    if kind is not None and (surface is not None or lines):
        raise InputError(f"--kind {kind} and a brightness (--surface, --line) are given; give one of the two")
    if kind is not None:
        return kind_named(kind), [f"{_told(kind_named(kind))} (round values for --kind {kind})"]
    if surface is None and not lines:
        return usual, [f"{_told(usual)} as target; say --kind, --surface or --line for another"]
    mag, kelvin = (None, USUAL_K) if surface is None else _surface(surface)
    target = Target("own target", mag, kelvin, _line_values(lines or []))
    plain = surface is not None and "," not in surface
    return target, [f"its continuum has the colour of a black body of {USUAL_K:g} K"] if plain else []


def _told(target: Target) -> str:
    parts = [f"{name} of {value:g} rayleigh" for name, value in target.rayleigh.items()]
    if target.mag_arcsec2 is not None:
        parts.append(f"{target.mag_arcsec2:g} mag per square arcsec, {target.temperature_k:g} K")
    return f"{target.name} of {', '.join(parts)}".replace("of halpha of", "with halpha of")


def _surface(text: str) -> tuple[float, float]:
    try:
        values = [float(part) for part in text.split(",")]
        if not 1 <= len(values) <= 2:
            raise ValueError
    except ValueError:
        raise InputError(
            f"--surface {text}: write V mag per square arcsec, and a temperature in kelvin if you like, as in 22.5,5000"
        ) from None
    kelvin = values[1] if len(values) == 2 else USUAL_K
    if not 1000 <= kelvin <= 100_000:
        raise InputError(f"--surface {text}: a colour of {kelvin:g} K; needed are 1000 to 100000")
    return values[0], kelvin


def _line_values(lines: list[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for text in lines:
        word = re.fullmatch(r"(halpha|oiii|sii)\s*=\s*(\d*\.?\d+)", text.strip().lower())
        if word is None or word[1] in found:
            why = "that line is there twice" if word else "write halpha=30, oiii=10 or sii=5, in rayleigh"
            raise InputError(f"--line {text}: {why}")
        found[word[1]] = float(word[2])
    return found


def wish_of(
    target: Target, *, area: float, loss: float, fwhm: float, keep_star: float | None, longest: float | None,
    goal: float | None, clear: float | None, hours: float | None = None,
) -> Wish:  # fmt: skip
    """What subs and hours are to reach, from options.

    Raises
    ------
    InputError
        A number is out of bounds, or one is given that means nothing without another.
    """
    from fourlight.stages.plan_wish import Wish

    for name, value, low, high in (
        ("--area", area, 1e-2, 1e7), ("--fwhm", fwhm, 0.3, 60.0), ("--longest", longest, 1e-3, 1e5),
        ("--loss", loss, 0.1, 100.0), ("--hours", hours, 0.01, 24.0), ("--keep-star", keep_star, -2.0, 25.0),
        ("--clear", clear, 0.1, 100.0), ("--goal", goal, 0.1, 1e5),
    ):  # fmt: skip
        if value is not None and not low <= value <= high:
            raise InputError(f"{name} {value:g}: {low:g} to {high:g} is needed")
    if goal is None and (clear is not None or hours is not None):
        raise InputError("--clear and --hours go with --goal; say which signal over noise is to be reached")
    wish = Wish(target, area, loss / 100, fwhm, keep_star, longest, goal)
    return replace(wish, clear=None if clear is None else clear / 100, hours=hours)


def moon_from(text: str) -> Moonlight:
    """A Moon as LIT,DEG[,DEG].

    Raises
    ------
    InputError
        It is none.
    """
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
