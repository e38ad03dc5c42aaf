"""Words that a claim is made of: quantities, planes, groups of lights, treatments."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fourlight.settings import nearest
from fourlight.stages.series import AS_RUN
from fourlight.stages.stack_layers import OUTPUT_PLANES

__all__ = ["COVARIATES", "GROUPS", "NIGHT", "QUANTITIES", "TREATMENTS", "Quantity", "Side", "side"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is compared."""

    means: str
    """In a sentence: 'had 1.2 times the ...'."""
    unit: str
    defined: str
    """What exactly it is, for those who fill it in and for the page on claims."""
    adds: bool = False
    """Values of lights add up to that of the stack, so that means are compared, not typical values."""
    lights: bool = True
    patches: bool = False
    made_of: tuple[str, ...] = ()
    """Quantities that it is reckoned from; empty: it is given."""


QUANTITIES = {
    "signal": Quantity("signal of the object", "e-", "the object less the sky, in a light or on a patch, for each "
                       "pixel of the reference", adds=True, patches=True),
    "level": Quantity("light", "e-", "object and sky together, of a patch: both lie under the same shadows", adds=True,
                      lights=False, patches=True),
    "noise": Quantity("noise", "e-", "of a light: standard error of a sample; of a patch: scatter of its even parts at "
                      "the scale of the object's detail, with patterns and the noise of masters in it", patches=True),
    "snr": Quantity("signal-to-noise ratio", "", "signal over noise of the patches together", lights=False,
                    patches=True, made_of=("signal", "noise")),
    "information": Quantity("information", "SNR^2", "samples times the object's signal squared over their variance: "
                            "what a light adds to SNR squared", adds=True),
    "information_per_hour": Quantity("information per hour", "SNR^2/h", "the same for each hour exposed", adds=True,
                                     made_of=("information",)),
    "width_px": Quantity("width of stars", "px", "of the joint fit on raw samples of lights; on patches, of the stars "
                         "of the stack, in pixels of the reference", patches=True),
    "sky": Quantity("brightness of the sky", "e-/s per px", "of a light"),
    "transparency": Quantity("transparency", "", "light of stars over that of the reference"),
    "weight": Quantity("weight", "", "that a light has in the stack", adds=True),
}  # fmt: skip

GROUPS = {
    "all lights": "all lights",
    "moonlit": "moonlit lights",
    "dark": "lights without the Moon",
    "best": "the better half of the lights",
    "worst": "the worst tenth of the lights",
    "rest": "lights other than the worst tenth",
    "warm": "lights of a warm sensor",
    "cold": "lights of a cold sensor",
    "half A": "lights of half A",
    "half B": "lights of half B",
    "first night": "lights of the first night",
    "last night": "lights of the last night",
    "each night": "lights of each night",
    "other nights": "lights of the other nights",
}

TREATMENTS = {
    AS_RUN: "the stack as run",
    "no darks": "the stack without darks",
    "no flats": "the stack without flats",
    "without the worst tenth": "the stack without the worst tenth of the lights",
    "twice finer grid": "the stack on a grid twice as fine",
    "half of the lights": "the stack of half of the lights",
}

COVARIATES = {
    "temperature": "C",
    "time": "h",
    "moon altitude": "deg",
    "exposure": "s",
    "sky": "times",
    "transparency": "times",
}
"""What a slope is taken over, and what lights are compared at equal values of; with the unit of one step."""

NIGHT = re.compile(r"night (\d{4}-\d{2}-\d{2})")


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a comparison."""

    kind: str
    """'planes', 'group' or 'treatment'."""
    name: str

    @property
    def planes(self) -> tuple[str, ...]:
        return tuple(self.name.split("+")) if self.kind == "planes" else ()

    @property
    def words(self) -> str:
        """In a sentence."""
        if self.kind == "treatment":
            return TREATMENTS[self.name]
        return GROUPS.get(self.name, f"lights of {self.name}") if self.kind == "group" else self.name


def side(text: str) -> Side:
    """What a text stands for.

    Raises
    ------
    ValueError
        No such planes, group, night or treatment; the nearest known one is named.

    Examples
    --------
    >>> side("G1 + G2"), side("night 2031-08-19").kind, side("no darks").kind
    (Side(kind='planes', name='G1+G2'), 'group', 'treatment')
    """
    planes = [part.strip() for part in text.split("+")]
    if all(part in OUTPUT_PLANES for part in planes):
        if len(set(planes)) < len(planes) or ("G" in planes and {"G1", "G2"} & set(planes)):
            raise ValueError(f"a plane counts twice in {text!r} (G is G1 and G2 together)")
        return Side("planes", "+".join(planes))
    if text in GROUPS or NIGHT.fullmatch(text):
        return Side("group", text)
    if text in TREATMENTS:
        return Side("treatment", text)
    raise ValueError(nearest(text, (*OUTPUT_PLANES, *GROUPS, *TREATMENTS, "night YYYY-MM-DD"), "such side"))
