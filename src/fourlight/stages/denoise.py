"""Noise taken off a linear stack, as far as its halves tell noise from light, with the evidence beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.honesty import HONEST
from fourlight.core.samples import spread
from fourlight.stages.canvas import Canvas, Window, some
from fourlight.stages.coverage import Sheet, without_gaps
from fourlight.stages.plane_sums import added
from fourlight.stages.smoothing import smoothed_sheet
from fourlight.stages.smoothing_levels import Levels

__all__ = ["Confirmed", "Denoised", "Quiet", "confirmed_notes", "denoise", "denoised_sheet"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Planes = Mapping[str, Float32]

CLEAR, SOLID = np.float32(0.03), np.float32(0.12)
"""Share of the noise power of brightness taken away up to which light is clear, and from which colours are smoothed."""

SHINE = np.float32(3)
"""Light of stars over the noise of a pixel from which what was smoothed with them counts for more than what was not:
chosen on simulated fields by the rims of bright stars; 1.5 to 7 do as well."""
TINY = np.float32(1e-30)

JUDGED = {"brightness": "brightness", "colour 0": "red", "colour 2": "blue"}
"""What is smoothed apart: brightness, and red and blue less green over it."""


@dataclass(frozen=True, slots=True)
class Confirmed:
    """What one half confirms of the detail kept of the other, finest scale first: slope 1 where all of it."""

    slopes: Float64
    """(scales,) before capping; NaN where nothing is kept."""
    capped: Float64
    """(scales,) after it."""
    classes: Float64
    """(scales, 4) slopes by how much of the detail may be noise, from most of it down to a sixteenth."""
    caps: Float64
    """(scales, 4) most of such detail that was kept."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """Channels of a sheet with their noise taken off."""

    image: list[Float32]
    """R, G, B, levels off, times the gains."""
    taken: Float32
    """(ny, nx) share of the noise power of the brightness that was taken away, 0 to 1."""
    confirmed: dict[str, Confirmed]
    """By brightness, red and blue, without the light of stars where that was off; empty without halves."""


@dataclass(frozen=True, slots=True)
class Denoised:
    """A stack with its noise taken off."""

    planes: dict[str, Float32]
    """R, G, B, linear; NaN where the stack is."""
    smoothed: Float32
    """(ny, nx) share of the noise power of the brightness that was taken away, 0 to 1; NaN where nothing covers."""
    confirmed: dict[str, Confirmed]
    """By brightness, red and blue, without the light of stars where that was off; empty without halves."""
    notes: tuple[str, ...]


def denoise(
    planes: Planes,
    variances: Planes,
    halves: tuple[Planes, Planes] | None,
    *,
    off: Planes | None = None,
    bare: bool = False,
    strength: float = 1.0,
    misfit: float = 0.0,
    canvas: Canvas | None = None,
) -> Denoised:
    """The stack without what its halves do not confirm.

    Parameters
    ----------
    planes : mapping of R, G, B to (ny, nx) float32
        Linear, sky included or not, any unit; NaN where nothing covers. They are not changed.
    variances : the same
        Variance per pixel. Only how it changes from place to place counts where there are halves: how strong noise
        is at each scale, correlated or not, is measured on them.
    halves : two of the same, or None
        Independent half stacks. Without them noise is taken as white, and nothing can be judged.
    off : mapping of R, G, B to (ny, nx) float32, or None
        Light of stars in the planes and the halves, see `fourlight.stages.star_light`: beside them noise is told from
        light without it. Finite.
    bare : bool
        That light is not in the planes any more.
    strength : float
        1 takes all unconfirmed detail away, 0 none.
    misfit : float
        Share of the local range by which the planes may be wrong beside their noise, see `fourlight.stages.way.misfit`.
    canvas : Canvas, optional

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> halves = [{c: rng.normal(10, 1, (64, 64)).astype(np.float32) for c in "RGB"} for _ in "ab"]
    >>> whole = {c: (halves[0][c] + halves[1][c]) / 2 for c in "RGB"}
    >>> result = denoise(whole, {c: np.full((64, 64), 0.5, np.float32) for c in "RGB"}, tuple(halves))
    >>> bool(result.planes["G"].std() < 0.1 * whole["G"].std())
    True
    """
    canvas = canvas or Canvas()
    known = {c: _known(planes[c], variances[c]) for c in COLOURS}
    live = [c for c in COLOURS if known[c].any()]
    if not live:
        nothing = {c: np.array(planes[c], dtype=np.float32) for c in COLOURS}
        return Denoised(
            nothing, np.full(nothing["G"].shape, np.nan, np.float32), {}, ("No plane holds pixels.",)
        )
    stands = {c: c if c in live else ("G" if "G" in live else live[0]) for c in COLOURS}
    sheet = _sheet(planes, variances, halves, [stands[c] for c in COLOURS], canvas)
    if off is not None:
        light = [off[stands[c]] for c in COLOURS]
        if bare:
            sheet.under = [added(*each, canvas) for each in zip(sheet.image, light, strict=True)]
        sheet.take_off(light, bare=bare)
    quiet = denoised_sheet(sheet, _weights(sheet), strength, misfit, canvas)
    _put_back(quiet, sheet, [known[c] for c in COLOURS], canvas)
    return Denoised(
        dict(zip(COLOURS, quiet.image, strict=True)), quiet.taken, quiet.confirmed,
        tuple([f"The {c} plane holds no pixels." for c in COLOURS if c not in live])
        + confirmed_notes(quiet.confirmed, halved=halves is not None),
    )  # fmt: skip


def denoised_sheet(sheet: Sheet, weights: Float64, strength: float, misfit: float, canvas: Canvas) -> Quiet:
    """Channels without what their halves do not confirm; how the work is cut into parts does not change them.

    Parameters
    ----------
    sheet : Sheet
    weights : (3,) float64
        Share of each channel, times its gain, in the brightness.
    strength, misfit : float
        As for `denoise`.
    canvas : Canvas
    """
    made, taken, levels = _smoothed(sheet, weights, strength, misfit, canvas)
    if sheet.off is not None:
        with_stars = replace(sheet, off=None, half_off=None)
        whole = _smoothed(with_stars, weights, strength, misfit, canvas, levels)
        _put_stars_back((made, taken), whole[:2], sheet, canvas)
    judged = {name: _confirmed(levels, key) for key, name in JUDGED.items() if key in levels.slopes}
    return Quiet(made, taken, judged)


def _smoothed(
    sheet: Sheet,
    weights: Float64,
    strength: float,
    misfit: float,
    canvas: Canvas,
    levels: Levels | None = None,
) -> tuple[list[Float32], Float32, Levels]:
    """Channels smoothed, what was taken of their noise, and what was found on them where that is not known yet."""
    taken = canvas.new(sheet.shape)
    made, levels = smoothed_sheet(sheet, weights, strength, misfit, canvas, taken, levels)
    _leave_clear(made, taken, sheet, strength, misfit, canvas)
    return made, taken, levels


def _put_stars_back(
    rest: tuple[list[Float32], Float32], whole: tuple[list[Float32], Float32], sheet: Sheet, canvas: Canvas
) -> None:
    """Add the light of stars to channels smoothed without it, in place; where it shines, take those smoothed with it.

    There their own light tells their colours; what is left without it is an error of the profile, of any colour.
    """
    light = sheet.off or []

    def fill(window: Window) -> None:
        here = window.inner
        shine = np.zeros(rest[1][here].shape, dtype=np.float32)
        for star, noise in zip(light, sheet.variance, strict=True):
            power = np.square(star[here])
            np.maximum(shine, power / (power + SHINE**2 * np.maximum(noise[here], TINY)), out=shine)
        for plane, star, gain in zip(rest[0], light, sheet.gains, strict=True):
            plane[here] += star[here] * np.float32(gain)
        for plane, other in zip([*rest[0], rest[1]], [*whole[0], whole[1]], strict=True):
            plane[here] += shine * (other[here] - plane[here])

    canvas.each(sheet.shape, fill, pixel_bytes=40)


def _known(plane: Float32, variance: Float32) -> Bool:
    return np.isfinite(plane) & np.isfinite(variance)


def _sheet(
    planes: Planes,
    variances: Planes,
    halves: tuple[Planes, Planes] | None,
    sources: list[str],
    canvas: Canvas,
) -> Sheet:
    whole = {c: without_gaps(planes[c], canvas) for c in set(sources)}
    variance = {c: without_gaps(variances[c], canvas) for c in set(sources)}
    image = [whole[c] for c in sources]
    pair = None if halves is None else ([halves[0][c] for c in sources], [halves[1][c] for c in sources])
    covered = np.isfinite(planes[sources[1]])
    # colours are ratios to the light above the sky
    sky = np.array([float(np.quantile(some(plane), 0.1)) for plane in image])
    return Sheet(image, [variance[c] for c in sources], pair, image, covered, levels=sky)


def _weights(sheet: Sheet) -> Float64:
    weights = np.array([1 / max(float(np.median(variance)), 1e-30) for variance in sheet.some_variance()])
    return np.asarray(weights / weights.sum())


def _leave_clear(
    made: list[Float32], taken: Float32, sheet: Sheet, strength: float, misfit: float, canvas: Canvas
) -> None:
    """Leave channels as they were, in place, where light stands far above the noise.

    There brightness loses next to nothing, and a colour smoothed as a ratio may be off by more than its noise. Not
    where light is so steep that channels may be wrong by more than their noise.
    """
    if strength <= 0:
        return
    gains, levels = (values.astype(np.float32) for values in (sheet.gains, sheet.levels))

    def seen(k: int, part: tuple[slice, slice]) -> Float32:
        return np.asarray((sheet.image[k][part] - levels[k]) * gains[k])

    def light(k: int, part: tuple[slice, slice]) -> Float32:
        return seen(k, part) if sheet.off is None else seen(k, part) - sheet.off[k][part] * gains[k]

    def fill(window: Window) -> None:
        clear = np.clip((SOLID - taken[window.outer] / np.float32(strength)) / (SOLID - CLEAR), 0, 1)
        if misfit:
            for k, variance in enumerate(sheet.variance):
                noise = np.maximum(variance[window.outer] * gains[k] ** 2, TINY)
                clear /= 1 + np.square(np.float32(misfit) * spread(seen(k, window.outer))) / noise
        for k, image in enumerate(made):
            here = image[window.inner]
            here += clear[window.cut] * (light(k, window.inner) - here)

    canvas.each(taken.shape, fill, reach=2, pixel_bytes=40)


def _put_back(quiet: Quiet, sheet: Sheet, known: list[Bool], canvas: Canvas) -> None:
    """Add the sky again, in place; NaN where there was none of the plane."""

    def fill(window: Window) -> None:
        here, nowhere = window.inner, np.float32(np.nan)
        for image, level, where in zip(quiet.image, sheet.levels, known, strict=True):
            image[here] += np.float32(level)
            image[here][~where[here]] = nowhere
        quiet.taken[here][~np.any([where[here] for where in known], axis=0)] = nowhere

    canvas.each(quiet.taken.shape, fill, pixel_bytes=12)


def _confirmed(levels: Levels, key: str) -> Confirmed:
    slopes = levels.slopes[key]
    return Confirmed(
        slopes.overall(), slopes.overall(after=True), slopes.values, slopes.caps.astype(np.float64)
    )


def confirmed_notes(judged: Mapping[str, Confirmed], *, halved: bool) -> tuple[str, ...]:
    """What the halves say of what was kept, in sentences."""
    if not halved:
        return (
            "There are no half stacks: what stands above the known noise was kept, and nothing judges it.",
        )
    notes = []
    for name, found in judged.items():
        low = [str(k + 1) for k, slope in enumerate(found.slopes) if slope < HONEST]
        if low:
            notes.append(
                f"Of {name} the halves confirm less than {100 * HONEST:.0f} % of what was kept at scale "
                f"{', '.join(low)}: it was lowered to what they do confirm."
            )
    return tuple(notes)
