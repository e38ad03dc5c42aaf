"""From linear channels to a display: one curve for all brightness, channel ratios kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import colour, oklab, starlet, stretch
from fourlight.core.spare import Spare
from fourlight.recipe_finish import Look
from fourlight.stages.canvas import bands

__all__ = ["FADED_PX", "Chosen", "Field", "curve_for", "displayed", "faded", "mix", "noise_of"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SEEN = 8.0
"""Light over the noise from which it counts as an object."""

STARS_BEYOND = 12.0
"""The curve of a picture with an extended object ends at this times the light of its bright parts."""

WHITE_STARS, BRIGHT_STARS = 0.97, 0.8
"""Quantiles of the brightest pixels of stars: end of the curve, and what is shown bright where there is no object."""

OPENING, OF_OPENED, OF_TOPS = 5.0, 0.5, 0.05
"""Side of squares that light of an object fills, over the width of stars; part of the bright light that is left where
only such squares count, and of the brightest pixel of a usual star, below both of which it is light of flanks of
stars."""

LIT, OF_LIT = 0.9, 30.0
"""Quantile of light that fills such squares: where that is seen at all, a tenth of the field is lit; and how many times
as bright the bright parts of an object may count at most, so that a dense cluster does not hide a faint nebula."""

MIDDLE, PARTS = 0.24, np.linspace(1.0, 0.5, 11)
"""Brightness that half of the field may exceed, and parts of the wanted brightness of the object that are tried for it:
faint light that fills the field is not to be grey."""

FADED_PX = 14
"""Width of the rim that is faded."""

PLACES_PX = 1 << 15
"""Pixels that are brought to the display at a time."""


@dataclass(frozen=True, slots=True)
class Field:
    """Stars on the window."""

    x: Float64
    y: Float64
    fwhm_px: float
    saturated: Bool
    brightness: Float64
    """Flux over the median flux."""


class Chosen(NamedTuple):
    """A curve, and what it was chosen by."""

    curve: stretch.Curve
    bright: float
    """Light of the bright parts of the object, or of bright stars where there is none; 0 without either."""


def mix(images: list[Float32], weights: Float64, spare: Spare | None = None) -> Float32:
    """Sum of images times weights."""
    shares = [np.float32(weight) for weight in weights]
    out = (spare or Spare()).take(images[0].shape)
    for rows in bands(out.shape):
        np.multiply(images[0][rows], shares[0], out=out[rows])
        for image, share in zip(images[1:], shares[1:], strict=True):
            out[rows] += share * image[rows]
    return out


def noise_of(image: Float32, sky: Bool) -> float:
    """Standard deviation of the empty sky from the median absolute deviation."""
    values = image[sky] if sky.sum() >= 20 else image.ravel()
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def curve_for(
    brightness: Float32,
    smooth: Float32,
    tops: Float64,
    sky: Bool,
    mask: Bool,
    noise_before: float,
    look: Look,
    fwhm_px: float,
) -> Chosen:
    """The curve that suits the object if there is an extended one, else the stars.

    Parameters
    ----------
    brightness, smooth : (ny, nx) float32
        Light above the sky, as it is shown and without its finest detail; some of the pixels are enough.
    tops : (n,) float64
        Brightest pixel of each star.
    sky, mask : (ny, nx) bool
        Empty sky; stars.
    noise_before : float
        Noise of the sky before smoothing.
    look : Look
        Brightness wanted for empty sky and for the object.
    fwhm_px : float
        Width of stars on these pixels.
    """
    noise = max(noise_of(brightness, sky), 0.2 * noise_before)
    extended = smooth[~mask] if (~mask).any() else smooth.ravel()
    bright = float(np.quantile(extended, 0.995))
    tops = tops[np.isfinite(tops)]
    white = float(np.quantile(tops, WHITE_STARS)) if len(tops) else float(np.quantile(brightness, 0.9999))
    wide = _wide_light(smooth, mask, fwhm_px)
    if bright < SEEN * noise or _of_flanks(float(np.quantile(wide, 0.995)), bright, tops):
        bright = float(np.quantile(tops, BRIGHT_STARS)) if len(tops) else 0.0
    else:
        lit = float(np.quantile(wide, LIT))
        if lit > SEEN * noise:
            bright = min(bright, OF_LIT * lit)
        # stars go beyond the end of the curve and are compressed later, so that the object keeps its contrast
        white = min(white, STARS_BEYOND * bright)
    middle = float(np.median(extended))
    for part in PARTS:
        curve = stretch.choose_curve(
            noise, max(bright, 0.0), white, sky=look.background, bright_target=part * look.bright
        )
        if float(curve(middle)) <= MIDDLE:
            break
    return Chosen(curve, max(bright, 0.0))


def _of_flanks(wide: float, bright: float, tops: Float64) -> bool:
    """Whether bright light between stars is that of their flanks."""
    return len(tops) > 0 and wide < OF_OPENED * bright and wide < OF_TOPS * float(np.median(tops))


def _wide_light(smooth: Float32, mask: Bool, fwhm_px: float) -> Float32:
    """(n,) light that fills squares wider than stars and their flanks, masked pixels left out."""
    if mask.all():
        return smooth.ravel()
    side = max(3, round(OPENING * fwhm_px))
    least = ndimage.minimum_filter(np.where(mask, np.float32(np.inf), smooth), side)
    least[np.isinf(least)] = -np.inf
    return np.asarray(ndimage.maximum_filter(least, side)[~mask])


def displayed(
    image: list[Float32], weights: Float64, curve: stretch.Curve, strength: float,
    primaries: colour.Primaries = colour.SRGB, lift: Float32 | None = None,
) -> Float32:  # fmt: skip
    """Encoded picture, (ny, nx, 3): the curve acts on brightness, hues are those of the light.

    The curve's pedestal stands in for neutral sky light, so that colours near the sky do not blow up. ``lift``
    (ny, nx) is added to the brightness.
    """
    out = np.empty((*image[0].shape, 3), dtype=np.float32)
    for rows in bands(out.shape, PLACES_PX):
        more = None if lift is None else lift[rows]
        out[rows] = _on_display([plane[rows] for plane in image], weights, curve, strength, primaries, more)
    return out


def _on_display(
    image: list[Float32], weights: Float64, curve: stretch.Curve, strength: float, primaries: colour.Primaries,
    lift: Float32 | None,
) -> Float32:  # fmt: skip
    """Some rows of the picture."""
    brightness = mix(image, weights)
    bright = curve(brightness)
    shown = stretch.shoulder(bright if lift is None else np.maximum(bright + lift, 0))
    lightness = oklab.lightness_of_grey(colour.srgb_decode(shown))
    pedestal = np.float32(curve.pedestal)
    # where dust is darker than the sky, what is missing is sky light: it has no colour of its own
    own = np.clip((brightness + pedestal) / pedestal, 0, 1) ** 2
    grey = (1 - own) * np.maximum(brightness + pedestal, pedestal * np.float32(0.2))
    planes = [np.maximum(plane + pedestal, 0) * own + grey for plane in image]
    rgb = oklab.coloured(planes, np.asarray(lightness, dtype=np.float32), strength, primaries)
    return np.asarray(colour.srgb_encode(np.moveaxis(rgb, 0, -1)), dtype=np.float32)


def faded(rgb: Float32, covered: Bool, level: float) -> Float32:
    """Uncovered parts blended into the brightness of empty sky over a few pixels; ``rgb`` may be used for it."""
    if covered.all():
        return np.clip(rgb, 0, 1, out=rgb)
    whole = covered.astype(np.float32)
    soft = whole
    for scale in range(3):
        soft = np.minimum(starlet.smooth_step(soft, scale), whole)
    out = np.empty_like(rgb)
    for rows in bands(rgb.shape, PLACES_PX):
        blend = np.clip(2 * soft[rows] - 1, 0, 1)[..., None]
        out[rows] = np.clip(rgb[rows] * blend + np.float32(level) * (1 - blend), 0, 1)
    return out
