"""How much light a brighter sky or a Moon would have added to each light, in electrons of each mosaic plane."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.moonlight import magnitude, moon_nl
from fourlight.core.passband import weights
from fourlight.core.spectra import black_body
from fourlight.errors import InputError
from fourlight.frames import RegisteredFrame
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.rig import DARK_SKY_K, MOONLIT_SKY_K
from fourlight.stages.plan_skies import Moonlight

__all__ = ["Added", "SkyWish", "added_light", "below_mean", "magnitudes", "moon_tint", "sky_levels"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

OF_PLANE = np.array([0, 1, 1, 2])
"""Colour of R, G1, G2, B."""
POINTS = 8
"""Places along each side of a cell at which it is asked what lies there."""
DARKEST = 0.25
SAME = 0.005
"""A sky brighter by less than this part counts as the one that was there."""


@dataclass(frozen=True, slots=True)
class SkyWish:
    """The sky that is asked for."""

    factor: float | None = None
    """Over that of each light."""
    mag: float | None = None
    """V mag per square arcsec, the same for every light."""
    moon: Moonlight | None = None
    """In addition to the sky of each light, or to that of ``mag`` or ``factor``."""

    @property
    def any(self) -> bool:
        """Whether light is added."""
        return self.factor is not None or self.mag is not None or self.moon is not None


@dataclass(frozen=True, slots=True)
class Added:
    """Light to be added to f lights."""

    electrons: Float64
    """(f, 4) mean per sample of R, G1, G2, B where the response is 1."""
    sky: Float64
    """(f, 4) what was there."""
    left: int
    """Lights whose sky was no darker than the one asked for, which stay as they are."""
    moon_mag: float | None
    """Of the moonlight by itself, V mag per square arcsec."""

    @property
    def changed(self) -> npt.NDArray[np.bool_]:
        """(f,) which lights get light."""
        return np.asarray(self.electrons.max(axis=1) > 0)

    @property
    def factor(self) -> Float64:
        """(f, 4) the new sky over the old one; 1 where there was none."""
        there = self.sky > 0
        return np.where(there, 1 + self.electrons / np.where(there, self.sky, 1.0), 1.0)


def below_mean(variance: npt.ArrayLike, read_noise_e: npt.ArrayLike) -> Float64:
    """Electrons by which the median of samples lies below their mean: counts of light are skew.

    A sixth of the skewness times the standard deviation (Cornish & Fisher 1938), third and second moment of the counted
    electrons being alike (Poisson) and reading adding nothing to the third: a sixth of an electron under a bright sky,
    less where the noise is that of reading.

    >>> below_mean([100.0, 4.0], [0.0, 2.0]).round(3).tolist()
    [0.167, 0.0]
    """
    whole = np.maximum(np.asarray(variance, dtype=np.float64), 1e-12)
    return np.asarray(np.clip(1 - np.asarray(read_noise_e) ** 2 / whole, 0.0, 1.0) / 6)


def sky_levels(
    frames: Sequence[RegisteredFrame], to_stack: Float64, sky: Bool, thing: Bool, read_noise_e: Float64
) -> Float64:
    """(f, 4) sky in each light beside the object, calibrated units per sample.

    The median of those cells of the light's own sky map that lie on empty sky of the stack: differences between lights
    that were fitted for the stack are smooth surfaces, and where an object fills most of the field they run away by
    several per cent. Where no cell lies on empty sky, it is the darkest quarter of the cells.

    Parameters
    ----------
    frames : sequence of RegisteredFrame
    to_stack : (2, 3) float64
        From pixels of the reference to those of the stack.
    sky, thing : (ny, nx) bool
        Pixels of the stack that show empty sky, and the object.
    read_noise_e : (f,) float64
    """
    out = np.empty((len(frames), 4))
    for k, frame in enumerate(frames):
        levels = frame.measured.sky_map.reshape(4, -1).astype(np.float64)
        empty = _on_sky(frame, to_stack, sky, thing)
        for plane in range(4):
            known = levels[plane][np.isfinite(levels[plane])]
            here = levels[plane][empty & np.isfinite(levels[plane])]
            dark = np.quantile(known, DARKEST) if known.size else frame.measured.sky[plane]
            out[k, plane] = np.median(here) if here.size else dark
        out[k] += below_mean(frame.measured.noise**2, read_noise_e[k])
    return np.maximum(out, 0.0)


def _on_sky(frame: RegisteredFrame, to_stack: Float64, sky: Bool, thing: Bool) -> Bool:
    """(n,) cells of a light's sky map whose middle half is empty sky on the stack, stars aside."""
    raw, (_, my, mx) = frame.measured.raw, frame.measured.sky_map.shape
    part = np.linspace(-0.25, 0.25, POINTS)
    y, x = np.meshgrid(
        ((np.arange(my)[:, None] + 0.5 + part) * raw.ny / my - 0.5).ravel(),
        ((np.arange(mx)[:, None] + 0.5 + part) * raw.nx / mx - 0.5).ravel(),
        indexing="ij",
    )
    i, j = (np.rint(at).astype(int) for at in maps.apply(maps.composed(frame.matrix, to_stack), x, y))
    inside = (i >= 0) & (i < sky.shape[1]) & (j >= 0) & (j < sky.shape[0])
    at = np.clip(j, 0, sky.shape[0] - 1), np.clip(i, 0, sky.shape[1] - 1)
    empty, full = (
        (inside & mask[at]).reshape(my, POINTS, mx, POINTS).sum(axis=(1, 3)) for mask in (sky, thing)
    )
    return np.asarray(((empty >= POINTS**2 / 4) & (full == 0)).ravel())


def magnitudes(
    sky: Float64, exposure_s: Float64, group: Sequence[Hashable], known: Mapping[Hashable, float]
) -> Float64:
    """(f,) V mag per square arcsec of the sky of each light; NaN in a night of which nothing is known.

    The colour of the sky counts as that of the night: what single lights differ by is told by all planes together.

    Parameters
    ----------
    sky : (f, 4) float64
        Electrons per sample.
    exposure_s : (f,) float64
    group : (f,) sequence
        Night and kind of each light: what one camera counts tells nothing of what another one does.
    known : dict
        Brightness of the median light of each of them.

    Examples
    --------
    >>> sky = np.array([[100.0] * 4, [251.1886] * 4, [100.0] * 4])
    >>> magnitudes(sky, np.ones(3), ["a", "a", "a"], {"a": 21.0}).round(3).tolist()
    [21.0, 20.0, 21.0]
    """
    rate = sky.sum(axis=1) / exposure_s
    out = np.full(len(sky), np.nan)
    for each in set(group):
        own = np.array([name == each for name in group])
        if each in known and (rate[own] > 0).all():
            out[own] = known[each] - 2.5 * np.log10(rate[own] / np.median(rate[own]))
    return out


def moon_tint(path: LightPath) -> Float64:
    """(4,) light of R, G1, G2, B that the moonlit sky has over the dark sky of the same V brightness.

    Both have the colours of black bodies, as plans count them.
    """
    wave = path.grid()
    share = path.at(wave) * weights(wave)
    dark, lit = (share @ black_body(wave, kelvin) for kelvin in (DARK_SKY_K, MOONLIT_SKY_K))
    if not (dark > 0).all():
        raise InputError(
            f"the filter {path.filter.name} passes nothing to a colour of the camera {path.response.name}; name others "
            "by gear.camera and gear.filter in the recipe of the run"
        )
    return np.asarray((lit / dark)[OF_PLANE])


def added_light(
    wish: SkyWish, sky: Float64, mag: Float64, tint: Float64, altitude_deg: float, extinction_mag: float
) -> Added:
    """Light that makes the sky of each light the one asked for.

    Parameters
    ----------
    wish : SkyWish
    sky : (f, 4) float64
        Electrons per sample that were there, see `sky_levels`.
    mag : (f,) float64
        Its V mag per square arcsec on the ground; not needed for a factor.
    tint : (4,) float64
        See `moon_tint`.
    altitude_deg : float
        Of the target.
    extinction_mag : float
        Per air mass in V.

    Raises
    ------
    InputError
        No light has a darker sky than the one asked for.
    """
    factor = np.ones(len(sky))
    if wish.factor is not None:
        factor[:] = wish.factor
    if wish.mag is not None:
        factor = 10 ** (0.4 * (mag - wish.mag))
    darker = factor > 1 + SAME
    if (wish.factor is not None or wish.mag is not None) and not darker.any():
        was = f"{mag.min():.2f} to {mag.max():.2f}" if np.ptp(mag) > 0.01 else f"{mag.min():.2f}"
        asked = f"x{wish.factor:g}" if wish.mag is None else f"{wish.mag:g}"
        raise InputError(
            f"--sky {asked}: the sky of these lights was {was} mag per square arcsec, no darker; light can be added, "
            "never removed: name a brighter sky (a smaller number, or x2)"
        )
    electrons = np.where(darker, factor - 1, 0.0)[:, None] * sky
    moon_mag = None
    if wish.moon is not None:
        moonlight = moon_nl(
            wish.moon.phase_deg,
            90 - wish.moon.altitude_deg,
            90 - altitude_deg,
            wish.moon.apart_deg,
            extinction_mag,
        )
        moon_mag = magnitude(moonlight)
        electrons = electrons + 10 ** (0.4 * (mag - moon_mag))[:, None] * sky * tint
    sky_asked = wish.factor is not None or wish.mag is not None
    return Added(electrons, sky, int((~darker).sum()) if sky_asked else 0, moon_mag)
