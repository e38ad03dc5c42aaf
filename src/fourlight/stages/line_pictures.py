"""Pictures of lines: by palettes of the trade, and in the colours that the lines have for the eye."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour, stardiscs
from fourlight.core.cfa import COLOURS
from fourlight.core.colour import LUMINANCE_WEIGHTS, SRGB
from fourlight.core.linecolour import displayable, seen_colour
from fourlight.core.spectra import NII_WEAK, OIII_WEAK
from fourlight.frames import StarList
from fourlight.recipe_finish import Finish
from fourlight.sensor.mixing import Ratios
from fourlight.stages.canvas import Canvas, Window, every, some
from fourlight.stages.coverage import Sheet, gather
from fourlight.stages.denoise import denoised_sheet
from fourlight.stages.display import curve_for, mix, noise_of
from fourlight.stages.full_cores import repair_cores
from fourlight.stages.line_kinds import Telling
from fourlight.stages.line_maps import LineMaps
from fourlight.stages.line_star_colours import recoloured, star_discs
from fourlight.stages.showing import inside, light_and_smooth, shown, stars_on, stars_within
from fourlight.stages.star_light import light_of_stars, within

__all__ = ["Palette", "line_picture", "palettes"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

BRIGHT = 0.995
"""Quantile of a line's smoothed light that is its bright part."""
STARS = 1.0
"""Part of the electrons of continuum that is shown, as white of the mean brightness of lines."""
SEEN = 8.0
"""Bright parts over the noise, below which a line is not made as bright as the others."""
TRADE = {
    "HOO": ("halpha", "oiii", "oiii"),
    "SHO": ("sii", "halpha", "oiii"),
    "HSO": ("halpha", "sii", "oiii"),
    "SOO": ("sii", "oiii", "oiii"),
}
"""Lines in red, green and blue, as the trade names palettes by the first letters of the lines."""


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """How lines become red, green and blue."""

    name: str
    """Of files."""
    title: str
    words: str
    shares: Float64
    """(3, lines) light of each line, in its unit, in R, G, B."""
    lines: tuple[str, ...]
    even: bool
    """Whether lines are made equally bright first."""


def palettes(telling: Telling, ratios: Ratios) -> list[Palette]:
    """Palettes for the lines that are told."""
    found = []
    for name, parts in TRADE.items():
        lines = tuple(dict.fromkeys(parts))
        if set(lines) <= set(telling.lines):
            shares = np.array([[float(line == part) for line in lines] for part in parts])
            said = ", ".join(f"{line} in {colour}" for line, colour in _places(parts))
            words = f"{said}; each line as bright as the others"
            found.append(_with_stars(Palette(name.lower(), name, words, shares, lines, True), telling))
    return [*found, _as_seen(telling, ratios)]


def _with_stars(palette: Palette, telling: Telling) -> Palette:
    """The same with continuum in white, where it is told apart: stars stay in the picture, as bright as in a line."""
    if "continuum" not in telling.lines:
        return palette
    white = np.full((3, 1), float((np.array(LUMINANCE_WEIGHTS) @ palette.shares).mean()) * STARS)
    return replace(
        palette, words=f"{palette.words}; continuum in white", shares=np.hstack([palette.shares, white]),
        lines=(*palette.lines, "continuum"),
    )  # fmt: skip


def _places(parts: tuple[str, ...]) -> list[tuple[str, str]]:
    names = {"halpha": "Hα", "oiii": "[OIII]", "sii": "[SII]"}
    colours = ("red", "green", "blue")
    return [
        (names[line], " and ".join(c for c, part in zip(colours, parts, strict=True) if part == line))
        for line in dict.fromkeys(parts)
    ]


def _as_seen(telling: Telling, ratios: Ratios) -> Palette:
    """Every line in the colour of its wavelengths, as bright for the eye as it is beside the others."""
    hydrogen = {"halpha": 1.0, "nii": ratios.nii, "nii_weak": ratios.nii * NII_WEAK}
    if "hbeta" not in telling.lines:
        hydrogen["hbeta"] = ratios.hbeta
    light = {
        "halpha": hydrogen,
        "oiii": {"oiii": 1.0, "oiii_weak": OIII_WEAK},
        "sii": {"sii": 1 - ratios.sii_strong, "sii_strong": ratios.sii_strong},
        "hbeta": {"hbeta": 1.0},
    }
    lines = tuple(name for name in telling.lines if name in light)
    colours = [
        displayable(seen_colour(light[name])) / telling.units[telling.columns.index(name)] for name in lines
    ]
    seen = Palette(
        "as-seen",
        "Natural light",
        "each line in the colour of its wavelength and as bright as the eye finds it beside the others (CIE 1931; "
        "white is mixed in where a display cannot show so pure a colour), Hβ with Hα as recombination has it",
        np.stack(colours, axis=1), lines, False,
    )  # fmt: skip
    return _with_stars(seen, telling)


def line_picture(
    maps: LineMaps, palette: Palette, stars: StarList, sky: Bool, settings: Finish, canvas: Canvas,
    hues: Float64 | None = None, discs: Bool | None = None,
) -> Float32:  # fmt: skip
    """A picture of lines, (ny, nx, 3) float32, sRGB-encoded, 0 to 1.

    Parameters
    ----------
    maps : LineMaps
    palette : Palette
    stars : StarList
        At their places on the stack.
    sky : (ny, nx) bool
        Pixels of empty sky.
    settings : Finish
    canvas : Canvas
    hues : (n, 3) float64 or None
        Colours of the stars, see `fourlight.stages.line_star_colours.star_hues`; None: white.
    discs : (ny, nx) bool or None
        Pixels of stars; None: discs of those in the list.
    """
    shares = palette.shares / _brights(maps, palette, sky) if palette.even else palette.shares
    shares = shares / max(float(np.abs(shares).max()), 1e-300)
    planes = {c: _mixed(maps, palette.lines, row, canvas) for c, row in zip(COLOURS, shares, strict=True)}
    spread = {c: _power(maps, palette.lines, row, canvas) for c, row in zip(COLOURS, shares, strict=True)}
    sheet, frame = gather(planes, spread, None, [], canvas)
    seen = inside(stars, frame)
    field = stars_on(stars_within(stars, frame))
    sky = sky[frame[0] : frame[1], frame[2] : frame[3]]
    mask = stardiscs.star_mask(
        sheet.shape, field.x, field.y, stardiscs.star_reach(field.fwhm_px, field.brightness)
    )
    peak = starcolour.star_peaks(sheet.image, field.x, field.y)
    weights = np.array([0.5, 0.25, 0.25]) if palette.even else np.array(LUMINANCE_WEIGHTS)
    noise = noise_of(mix(sheet.some_light(), weights), some(sky))
    strength = settings.denoise.strength if settings.denoise.use else 0.0
    if strength > 0:
        _take_stars_off(sheet, stars_within(stars, frame), canvas)
    image = denoised_sheet(sheet, weights, strength, 0.0, canvas).image
    repair_cores(image, peak, np.ones(3), field)
    if "continuum" not in maps.columns or hues is not None:
        part = np.s_[frame[0] : frame[1], frame[2] : frame[3]]
        where = star_discs(sheet.shape, field) if discs is None else discs[part]
        recoloured(image, weights, field, None if hues is None else hues[seen], where)
    brightness, smooth = light_and_smooth(image, weights, canvas)
    tops = peak @ weights
    curve = curve_for(
        some(brightness), some(smooth), tops, some(sky), some(mask), noise, settings.shown,
        field.fwhm_px / every(sheet.shape),
    ).curve  # fmt: skip
    return shown(image, weights, curve, sheet.covered, settings.shown, canvas, SRGB)


def _take_stars_off(sheet: Sheet, stars: StarList, canvas: Canvas) -> None:
    """Have what is beside stars smoothed without their light."""
    planes, variances = (dict(zip(COLOURS, x, strict=True)) for x in (sheet.image, sheet.variance))
    light = light_of_stars(planes, variances, stars, canvas=canvas)
    if light:
        sheet.take_off([within(light[c]) for c in COLOURS])


def _brights(maps: LineMaps, palette: Palette, sky: Bool) -> Float64:
    """(lines,) light of the bright parts of each line."""
    found: list[float] = []
    for name in palette.lines:
        if name == "continuum":  # on the scale of the first line
            found.append(found[0])
            continue
        light = np.nan_to_num(some(maps.light[name]))
        noise = noise_of(light, some(sky))
        cut = np.minimum(light, np.float32(np.quantile(light, 0.99)))
        wide = _blocks(cut)
        found.append(max(float(np.quantile(wide, BRIGHT)), SEEN * noise / 4, 1e-30))
    return np.array(found)


def _blocks(light: Float32, side: int = 4) -> Float32:
    """Means of blocks, in which stars and noise are small."""
    ny, nx = (length // side * side for length in light.shape)
    if min(ny, nx) == 0:
        return light
    return np.asarray(light[:ny, :nx].reshape(ny // side, side, nx // side, side).mean(axis=(1, 3)))


def _mixed(maps: LineMaps, lines: tuple[str, ...], shares: Float64, canvas: Canvas) -> Float32:
    out = canvas.new(maps.light[lines[0]].shape)

    def fill(window: Window) -> None:
        part = window.inner
        out[part] = sum(np.float32(s) * maps.light[name][part] for name, s in zip(lines, shares, strict=True))

    canvas.each(out.shape, fill, pixel_bytes=16)
    return out


def _power(maps: LineMaps, lines: tuple[str, ...], shares: Float64, canvas: Canvas) -> Float32:
    """Variance of a mixture of lines, their covariances counted."""
    out = canvas.new(maps.light[lines[0]].shape)
    share = dict(zip(lines, shares, strict=True))

    def fill(window: Window) -> None:
        part = window.inner
        total = np.zeros(out[part].shape, dtype=np.float32)
        for (one, other), power in maps.covariance.items():
            if one in share and other in share:
                times = share[one] * share[other] * (1 if one == other else 2)
                total += np.float32(times) * power[part]
        out[part] = total

    canvas.each(out.shape, fill, pixel_bytes=16)
    return out
