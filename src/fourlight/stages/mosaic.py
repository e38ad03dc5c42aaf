"""Which mosaic pattern a set of lights has: recipe, header and pixels weighed against each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fourlight.core.cfa import flipped
from fourlight.core.phase import ANTI, MAIN, Phase, diagonal_of, green_diagonal
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame
from fourlight.io.pixels import PixelSource
from fourlight.stages.mosaic_kinds import green_places

__all__ = ["MosaicDecision", "decide", "evidence"]

LIGHTS_LOOKED_AT = 3
CROP = 2048
ASSUMED = {MAIN: "GBRG", ANTI: "RGGB"}
"""Where nothing is stated. Red against blue is a guess: common practice, no source."""


@dataclass(frozen=True, slots=True)
class MosaicDecision:
    """The pattern in use and how it was found."""

    pattern: str
    """One of `fourlight.core.cfa.PATTERNS`, in array order."""
    source: str
    """'recipe', the header cards, 'pixels' or 'assumed'."""
    stated: str | None
    """What the headers say, in array order."""
    contradiction: str | None
    """What was stated, what the pixels show, what is used and what remains assumed; None where all agree."""
    evidence: str
    """What the pixels say, as a sentence."""
    stated_by: str | None = None
    """Header cards that `stated` is from."""
    sigma: float | None = None
    """How sure the pixels are of the greens; None where they cannot tell."""


def decide(
    lights: Sequence[RawFrame], sources: Callable[[RawFrame], PixelSource], setting: str = "auto"
) -> MosaicDecision:
    """Pattern for lights of one camera and size.

    Parameters
    ----------
    lights : sequence of RawFrame
        Of equal size; up to three, spread over the sequence, are looked at.
    sources : callable
        Opens the samples of a frame (`fourlight.io.pixels.open_pixels`).
    setting : str
        ``read.mosaic`` of the recipe: a pattern, or ``auto``.

    Raises
    ------
    InputError
        No lights; no mosaic (mono); or nothing states a pattern and the pixels cannot tell the greens.
    """
    if not lights:
        raise InputError("no light frames; the mosaic is found from lights")
    stated, cards = _stated(lights)
    phase = _looked_at(lights, sources)
    evidence = _sentence(phase)
    sure = None if phase.diagonal is None else abs(phase.sigma)
    said = (evidence, cards if stated else None, sure)
    if setting != "auto":
        return MosaicDecision(setting, "recipe", stated, _against(setting, "the recipe", phase), *said)
    if phase.mono:
        raise InputError(
            f"no light shows a mosaic: all four places of the 2 x 2 cell see every star alike ({phase.stars} stars), "
            "as in a monochrome or binned frame; raw frames of a one-shot-colour camera are needed "
            "(read.mosaic=RGGB or another pattern overrides this)"
        )
    if stated is None:
        return _from_pixels(lights, phase, evidence)
    contradiction = _against(stated, cards, phase)
    if contradiction is None:
        return MosaicDecision(stated, cards, stated, None, *said)
    pattern, how = _mended(stated, lights[0])
    contradiction = f"{contradiction}; {pattern} is used, {how}"
    return MosaicDecision(pattern, "pixels", stated, contradiction, *said)


def _stated(lights: Sequence[RawFrame]) -> tuple[str | None, str]:
    """The pattern that most headers state, and the cards it is read from."""
    said = Counter((frame.mosaic, frame.mosaic_source) for frame in lights if frame.mosaic)
    return said.most_common(1)[0][0] if said else (None, "none")


def _looked_at(lights: Sequence[RawFrame], sources: Callable[[RawFrame], PixelSource]) -> Phase:
    """The middle evidence, by significance, of up to three lights; frames that fail are passed over for others.

    Of two in the middle it is the clearer one. A single frame that seems mono among others (covered, read out in part)
    is no evidence.
    """
    picked = sorted({round(place) for place in np.linspace(0, len(lights) - 1, LIGHTS_LOOKED_AT)})
    others = [place for place in range(len(lights)) if place not in picked]
    found: list[Phase] = []
    failure: FrameError | None = None
    for frame in [lights[place] for place in picked + others]:
        if len(found) == len(picked):
            break
        try:
            found.append(evidence(sources(frame), frame.saturation_adu))
        except FrameError as error:
            failure = error
    if not found:
        raise failure or InputError("no light could be read")
    telling = [phase for phase in found if not phase.mono] or found
    telling.sort(key=lambda phase: phase.sigma)
    return max(telling[(len(telling) - 1) // 2 : len(telling) // 2 + 1], key=lambda phase: abs(phase.sigma))


def evidence(source: PixelSource, full: float | None) -> Phase:
    """Evidence from the middle of a frame, starting on an even row and column."""
    ny, nx = source.shape
    y0, x0 = max(ny - CROP, 0) // 4 * 2, max(nx - CROP, 0) // 4 * 2
    return green_diagonal(source.read(y0, min(y0 + CROP, ny), x0, min(x0 + CROP, nx)), full)


def _sentence(phase: Phase) -> str:
    shares = (
        f"levels {abs(phase.level_sigma):.0f} sigma, {phase.stars} stars {abs(phase.star_sigma):.0f} sigma"
    )
    if phase.diagonal is None:
        return f"the pixels cannot tell which two places of the 2 x 2 cell are the greens ({shares})"
    return f"the greens lie on {green_places(phase.diagonal)} at {abs(phase.sigma):.0f} sigma ({shares})"


def _against(pattern: str, who: str, phase: Phase) -> str | None:
    """How the pixels contradict a pattern; None where they agree or cannot tell."""
    if phase.diagonal is None or phase.diagonal == diagonal_of(pattern):
        return None
    return (
        f"{who} says {pattern}, but the pixels show the greens on {green_places(phase.diagonal)} "
        f"({abs(phase.sigma):.0f} sigma)"
    )


def _mended(stated: str, frame: RawFrame) -> tuple[str, str]:
    """The stated pattern mirrored so that its greens fit, and what remains assumed.

    Rows stored bottom-up are the usual cause (common practice, no source). In a frame of an odd number of
    rows mirroring keeps the diagonal; an offset by one row is assumed there.
    """
    mirrored = flipped(stated, frame.ny, frame.nx, vertical=True)
    if diagonal_of(mirrored) != diagonal_of(stated):
        return (
            mirrored,
            "as if the rows were stored bottom-up; that red and blue follow that mirror is assumed",
        )
    shifted = flipped(stated, 2, 2, vertical=True)
    return shifted, "as if the pattern began one row later; that red and blue follow that shift is assumed"


def _from_pixels(lights: Sequence[RawFrame], phase: Phase, evidence: str) -> MosaicDecision:
    if phase.diagonal is None:
        raise InputError(
            f"no header states a mosaic pattern and {evidence}; set read.mosaic to RGGB, BGGR, GRBG or GBRG"
        )
    pattern = ASSUMED[phase.diagonal]
    evidence += "; which of the other two is red they do not tell"
    return MosaicDecision(pattern, "assumed", None, None, evidence, sigma=abs(phase.sigma))
