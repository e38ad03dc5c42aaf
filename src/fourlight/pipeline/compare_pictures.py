"""What both setups would show of one invented object at the same hours: simulated stacks under one stretch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.core.stretch import Curve, choose_curve
from fourlight.core.unmix import gain_of
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.through import Exposed, light_behind, of_one_channel, summed, world_through
from fourlight.stages.compare_light import BANDS, Counted, Parts, kinds_of
from fourlight.stages.compare_setup import Taken
from fourlight.stages.compare_whole import Compared
from fourlight.stages.plan_light import Target

__all__ = ["PALETTES", "Pictures", "simulated_pictures"]

Float64 = npt.NDArray[np.float64]
Uint8 = npt.NDArray[np.uint8]

CELLS = (300, 200)
"""Cells of 2 x 2 pixels across and down, of the setup whose pixels are larger on the sky, at most."""
SHOWN_PX = 3 * CELLS[0]
"""About the width of a picture."""
MOST_PX = 1600
"""Across the frame of the other one: with much smaller pixels, less of the field is simulated for both."""
PEAK = 2.5
"""Brightest parts of the object over the brightness that is compared."""
STARS = 220

PALETTES = {
    ("halpha",): ("halpha",) * 3,
    ("oiii",): ("oiii",) * 3,
    ("sii",): ("sii",) * 3,
    ("halpha", "oiii"): ("halpha", "oiii", "oiii"),
    ("halpha", "sii"): ("sii", "halpha", "halpha"),
    ("oiii", "sii"): ("sii", "oiii", "oiii"),
    ("halpha", "oiii", "sii"): ("sii", "halpha", "oiii"),
    tuple(sorted(BANDS)): ("red light", "green light", "blue light"),
}
"""Kinds of light that are shown as red, green and blue."""

SCENE = """
seed = {seed}
[object]
kind = "nebula"
size = 0.8
halpha_rayleigh = {halpha}
oiii_ratio = {oiii}
sii_ratio = {sii}
nii_ratio = 0.3
reflection_mag = {mag}
reflection_temperature_k = {kelvin}
starlight_mag = 60.0
dust_mag = 1.5
[stars]
count = {stars}
brightest_mag = 9.0
faintest_mag = 18.0
cluster_count = 12
[optics]
aperture_mm = {aperture}
focal_mm = {focal}
vignetting = 0.0
dust_motes = 0
[camera]
width_px = {width}
height_px = {height}
pixel_um = {pixel}
gain_e_per_adu = {gain}
read_noise_e = {read}
dark_e_per_s = {dark}
hot_share = 0.0
dead_share = 0.0
glow_e_per_s = 0.0
column_offset_e = 0.0
prnu = 0.0
[[nights]]
count = 1
seeing_arcsec = {seeing}
seeing_scatter = 0.0
gradient = 0.0
dither_px = 0.0
transparency_scatter = 0.0
"""


@dataclass(frozen=True, eq=False)
class Pictures:
    """Pictures of both setups, (my, mx, 3) levels under one curve."""

    views: tuple[Uint8, Uint8]
    shown: tuple[str, str, str]
    """Kinds of light in red, green and blue."""
    scatter: tuple[dict[str, float], dict[str, float]]
    """Noise of each kind of light in empty sky per cell of the picture, in units of the brightness that is compared."""


def simulated_pictures(compared: Compared, seed: int = 5) -> Pictures:
    """Both stacks of the hours, kinds of light told apart by least squares, through one curve.

    Each kind of light is in units of the brightness that is compared, so that equal light looks equal in both. What a
    setup cannot tell is left dark.
    """
    kinds = tuple(kind for kind in compared.sides[0].course.snr if kind in compared_kinds(compared))
    shown = PALETTES[tuple(sorted(kinds))]
    frame = _frame([light[0].glass.rig.pixel_arcsec for light in compared.lights])
    maps = [_maps(compared, k, kinds, frame, seed) for k in range(2)]
    light = [np.stack([each[name] for name in shown], axis=-1) for each in maps]
    known = [value for value in (_noise(each.mean(axis=-1)) for each in light) if value > 0] or [1.0]
    scatter = [{kind: _noise(plane) for kind, plane in each.items()} for each in maps]
    curve = choose_curve(min(known), 1.2, 40.0, sky=0.16, bright_target=0.5, noise_limit=0.09)
    views = [_shown(each, curve) for each in light]
    return Pictures((views[0], views[1]), (shown[0], shown[1], shown[2]), (scatter[0], scatter[1]))


class _Frame(NamedTuple):
    """What both pictures show."""

    cells: tuple[int, int]
    """Across and down."""
    cell_arcsec: float

    @property
    def shape(self) -> tuple[int, int]:
        """Of an array of its cells."""
        return self.cells[1], self.cells[0]

    def pixels(self, pixel_arcsec: float) -> tuple[int, int]:
        """Pixels across and down of so many arcseconds that cover it, in whole cells of 2 x 2."""
        across, down = (2 * max(8, round(n * self.cell_arcsec / pixel_arcsec / 2)) for n in self.cells)
        return across, down


def _frame(pixels_arcsec: Sequence[float]) -> _Frame:
    """The frame that setups with such pixels share.

    >>> _frame([2.0, 1.0]).cells, _frame([8.0, 1.0]).cells
    ((300, 200), (100, 67))
    >>> _frame([8.0, 1.0]).pixels(1.0)
    (1600, 1072)
    """
    larger, smaller = max(pixels_arcsec), min(pixels_arcsec)
    across = max(16, min(CELLS[0], int(MOST_PX * smaller / (2 * larger))))
    return _Frame((across, round(across * CELLS[1] / CELLS[0])), 2 * larger)


def compared_kinds(compared: Compared) -> tuple[str, ...]:
    """Kinds of light that are drawn: lines, or the parts of a continuum; not a continuum beneath lines."""
    lines = tuple(compared.asked.target.rayleigh)
    return lines or tuple(BANDS)


def _maps(compared: Compared, k: int, kinds: tuple[str, ...], frame: _Frame, seed: int) -> dict[str, Float64]:
    """Kinds of light on cells of the picture, in units of the brightness that is compared."""
    side = compared.sides[k]
    found = side.course.taken
    rng = np.random.default_rng(np.random.SeedSequence([seed, k]))
    planes, columns, variances = [], [], []
    for n, seen in enumerate(compared.lights[k]):
        exposed, subs = _exposed(seen, compared.parts, found, n)
        if not subs:
            continue
        planes += _planes(compared, seen, exposed, frame, seed, rng)
        keep = [m for m, name in enumerate(kinds_of(compared.asked.target)) if name in kinds]
        seconds = exposed.subs * exposed.sub_s
        columns += list(seen.columns[:, keep] * seconds * exposed.passed)
        variances += list(_variance(seen, exposed))
    if not planes:
        return {name: np.zeros(frame.shape) for name in kinds}
    cells = [_on_picture(plane, frame) for plane in planes]
    told = [m for m, name in enumerate(kinds) if name not in side.blind]
    matrix = np.array(columns)[:, told]
    gain = gain_of(matrix, np.array(variances)) if told else np.zeros((0, len(cells)))
    light = np.tensordot(gain, np.array(cells), 1)
    maps = {name: np.zeros(light.shape[1:] or frame.shape) for name in kinds}
    return maps | {kinds[m]: light[row] for row, m in enumerate(told)}


def _exposed(seen: Counted, parts: Parts, found: Taken, number: int) -> tuple[Exposed, int]:
    """Subs of a filter as if all had the mean sky and air of them."""
    ends = found.ends_s[found.which == number]
    part = np.minimum(np.searchsorted(parts.ends_s, ends - seen.glass.sub_s / 2), len(parts.ends_s) - 1)
    flux = np.stack([10.0 ** (-0.4 * parts.dark_mag[part]), 10.0 ** (-0.4 * parts.moonlit_mag[part])], axis=1)
    if not len(ends):
        return Exposed(0, seen.glass.sub_s, 1.0, np.zeros(3)), 0
    sky = np.broadcast_to(flux.mean(axis=0) @ seen.skies.T, 3)
    return Exposed(len(ends), seen.glass.sub_s, float(parts.passed[part].mean()), sky), len(ends)


def _scene(compared: Compared, seen: Counted, frame: _Frame, seed: int) -> Scene:
    rig, target = seen.glass.rig, compared.asked.target
    width, height = frame.pixels(rig.pixel_arcsec)
    halpha, ratios = _brightness(target)
    return loads(
        SCENE.format(
            seed=seed, halpha=halpha, oiii=ratios[0], sii=ratios[1], stars=STARS, kelvin=target.temperature_k,
            mag=60.0 if target.rayleigh or target.mag_arcsec2 is None
            else target.mag_arcsec2 - 2.5 * np.log10(PEAK),
            aperture=rig.optics.aperture_mm, focal=rig.optics.focal_mm, width=width, height=height,
            pixel=rig.chip.pixel_um, gain=rig.chip.gain_e_per_adu,
            read=rig.chip.read_noise_e, dark=rig.chip.dark_e_per_s, seeing=compared.asked.seeing_arcsec,
        )
    )  # fmt: skip


def _brightness(target: Target) -> tuple[float, tuple[float, float]]:
    """Hα of the brightest parts, and [OIII] and [SII] over it; a trace of Hα where there is none."""
    halpha = target.rayleigh.get("halpha", 0.0) or 1e-6
    ratios = tuple(target.rayleigh.get(name, 0.0) / halpha for name in ("oiii", "sii"))
    return PEAK * halpha, (ratios[0], ratios[1])


def _planes(
    compared: Compared, seen: Counted, exposed: Exposed, frame: _Frame, seed: int,
    rng: np.random.Generator,
) -> list[Float64]:  # fmt: skip
    """Means of each channel in cells of 2 x 2 pixels less sky and darks, its samples spread over all by dithering."""
    rig = seen.glass.rig
    world, plan = world_through(_scene(compared, seen, frame, seed), light_behind(rig))
    seconds = exposed.subs * exposed.sub_s
    dark = world.detector.dark_e(seconds, world.scene.camera.temperature_c)
    found = []
    for c, share in enumerate(rig.samples):
        stack = summed(of_one_channel(world, c), plan, exposed, rng, float(share))
        found.append(_cells(stack - dark - exposed.sky_e_s[c] * seconds))
    return found


def _cells(stack: Float64) -> Float64:
    return np.asarray((stack[0::2, 0::2] + stack[0::2, 1::2] + stack[1::2, 0::2] + stack[1::2, 1::2]) / 4)


def _variance(seen: Counted, exposed: Exposed) -> Float64:
    """(c,) of the mean of each channel in a cell, of empty sky."""
    rig = seen.glass.rig
    rate = exposed.sky_e_s[: len(rig.channels)] + rig.chip.dark_e_per_s
    each = exposed.subs * (rate * exposed.sub_s + rig.chip.read_variance_e2)
    return np.asarray(each / (4 * rig.samples))


def _on_picture(plane: Float64, frame: _Frame) -> Float64:
    """A plane on the cells of the picture: means over the area where they are larger."""
    if plane.shape == frame.shape:
        return plane
    image = Image.fromarray(plane.astype(np.float32))
    return np.asarray(image.resize(frame.cells, Image.Resampling.BOX), dtype=np.float64)


def _noise(light: Float64) -> float:
    """Scatter between neighbours, which objects hardly add to."""
    step = light[:, 1:] - light[:, :-1]
    return float(1.4826 * np.median(np.abs(step - np.median(step))) / np.sqrt(2))


def _shown(light: Float64, curve: Curve) -> Uint8:
    times = round(SHOWN_PX / light.shape[1])
    large = np.repeat(np.repeat(curve(light), times, axis=0), times, axis=1)
    return np.rint(255 * np.clip(large, 0, 1)).astype(np.uint8)
