"""Parts of a stack of which it is told what each channel did: object, empty sky, stars, and any rectangle."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import background, starlet
from fourlight.core.cfa import COLOURS
from fourlight.core.regionsums import STEEP
from fourlight.frames import StarList
from fourlight.stages import sky_error
from fourlight.stages.canvas import bands
from fourlight.stages.empty_sky import EmptySky, burnt_pixels, empty_sky, star_masks
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.twin_greens import twin_variance

__all__ = ["OWN", "Box", "Regions", "find_regions"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]
"""``x0, y0, x1, y1`` in pixels of the stack, the last column and row not counted."""

OWN = ("object", "sky", "stars")
"""Regions that are found; others are named by the user."""

LEAST_OBJECT = 4
"""Cells' worth of pixels that an object has at least: what is left of a bright star's halo is less."""
STEEP_SIGMA, STEEP_REACH = 4.0, 10
"""Detail of the stack in units of its noise from which light is steep, and rows that it is told from."""


@dataclass(frozen=True, slots=True)
class Regions:
    """Where the regions are, and how much light they hold."""

    names: tuple[str, ...]
    labels: npt.NDArray[np.uint16]
    """(ny, nx) bit r: the pixel is in region r; bit 15: light is steep there."""
    pixels: npt.NDArray[np.int64]
    """(r,) pixels of each region."""
    signal: Float64
    """(r, 5) mean light per pixel above the sky, of R, G1, G2, B, G; of the region "sky" the sky itself."""
    filled: bool
    """Whether faint light fills the field, so that the darkest of it had to be taken for the sky."""
    sky: Mapping[str, background.Surface] = field(default_factory=dict)
    """The sky under the object, plane by plane."""
    shared: Float64 | None = None
    """(r, 4, 4) covariance of `signal` of R, G1, G2, B by what the sky under a region is off by in all lights alike
    (`fourlight.stages.sky_error`); None: nothing is known of it."""


def find_regions(
    read: Callable[[str, str], Float32], stars: StarList, boxes: Mapping[str, Box], level: Float64, order: int = 1
) -> Regions:  # fmt: skip
    """Regions of a stack.

    Parameters
    ----------
    read : callable
        A layer (ny, nx) of a plane of the stack, NaN where no frame covers.
    stars : StarList
        At places of the stack.
    boxes : mapping of str to Box
        Rectangles by name, inside the stack. They hold all that lies in them but full samples.
    level : (4,) float64
        Of R, G1, G2, B per pixel of the stack, from which samples may be full.
    order : int
        Order of the surface that is taken for the sky under the object; one more where it needs to be.

    Returns
    -------
    Regions
        Those that hold pixels; the object is missing where no light stands out, the stars where there are none.
    """
    values = {plane: read(plane, "value") for plane in OUTPUT_PLANES}
    shape = values["G"].shape
    covered = np.logical_and.reduce([np.isfinite(values[c]) for c in COLOURS])
    found, burnt = star_masks(stars, (shape[0], shape[1])), burnt_pixels(values, level)
    near = found.near | burnt
    sky = empty_sky(values, near | ~covered, order)
    masks = {
        "object": _spread(sky.above, sky.side, shape) & ~near & covered,
        "sky": _spread(sky.use, sky.side, shape) & ~near & covered,
        "stars": found.light & covered & ~found.full & ~burnt,
    }
    if np.count_nonzero(masks["object"]) < LEAST_OBJECT * sky.side**2:
        del masks["object"]
    masks |= {name: _inside(box, covered & ~burnt) for name, box in boxes.items()}
    masks = {name: mask for name, mask in masks.items() if mask.any()}
    signal = np.array([_light(name, mask, values, sky.surfaces) for name, mask in masks.items()])
    signal = signal.reshape(-1, len(OUTPUT_PLANES))  # of no region, too
    pixels = np.array([np.count_nonzero(mask) for mask in masks.values()], dtype=np.int64)
    shared = _shared(read, masks, sky, near | ~covered, signal[:, :4])
    return Regions(
        tuple(masks), _labels(masks, near | _steep(read)), pixels, signal, sky.filled, sky.surfaces, shared
    )


def _shared(
    read: Callable[[str, str], Float32], masks: Mapping[str, Bool], sky: EmptySky, hidden: Bool, signal: Float64
) -> Float64:  # fmt: skip
    """(r, 4, 4) covariance of the light of regions that all lights have in common; the sky itself has none under it."""
    apart = sky_error.halves_apart(read, hidden, sky.side)
    found = sky_error.shared_error(sky, apart, [sky_error.counted(mask, sky.side) for mask in masks.values()])
    # what greens disagree about grows with the light, and is no less in other planes
    twins = twin_variance(read, masks, sky.surfaces, sky_error.BLOCK * sky.side)
    for covariance, variance in zip(found, twins[:, None] * signal**2, strict=True):
        covariance[np.diag_indices(4)] = np.fmax(np.diag(covariance), variance)
    return np.where(np.array([name == "sky" for name in masks], dtype=np.bool_)[:, None, None], 0.0, found)


def _inside(box: Box, there: Bool) -> Bool:
    """The part of a mask that lies in a rectangle."""
    x0, y0, x1, y1 = box
    mask = np.zeros_like(there)
    mask[y0:y1, x0:x1] = there[y0:y1, x0:x1]
    return mask


def _labels(masks: Mapping[str, Bool], steep: Bool) -> npt.NDArray[np.uint16]:
    """One bit for each region, 0 where there is none."""
    labels = steep.astype(np.uint16) << np.uint16(STEEP)
    anywhere = np.zeros_like(steep)
    for bit, mask in enumerate(masks.values()):
        labels |= mask.astype(np.uint16) << np.uint16(bit)
        anywhere |= mask
    labels[~anywhere] = 0
    return labels


def _steep(read: Callable[[str, str], Float32]) -> Bool:
    """Where fine detail stands out of the noise in any colour, and beside it: frames of another seeing differ there."""
    found = np.zeros(read("G", "value").shape, dtype=bool)
    for c in COLOURS:
        first, second = (read(c, f"value_{half}") for half in ("a", "b"))
        for rows in bands(found.shape):
            around = slice(max(rows.start - STEEP_REACH, 0), rows.stop + STEEP_REACH)
            mean, sigma = _halves_together(first[around], second[around])
            high = np.abs(mean - starlet.smooth_known(mean, 2)) > STEEP_SIGMA * sigma
            high = ndimage.binary_dilation(high, iterations=2)
            found[rows] |= high[rows.start - around.start :][: found[rows].shape[0]]
    return found


def _halves_together(a: Float32, b: Float32) -> tuple[Float32, Float32]:
    """Mean of two halves, or the one that is known, and its noise by what both differ; inf where nothing tells it.

    Of few lights halves have holes between the samples of a colour.
    """
    count = np.isfinite(a).astype(np.float32) + np.isfinite(b)
    light = np.where(np.isfinite(a), a, np.float32(0)) + np.where(np.isfinite(b), b, np.float32(0))
    mean = np.where(count > 0, light / np.maximum(count, 1), np.float32(np.nan))
    noise = 0.5 * np.abs(a - b)[count == 2]
    scatter = 1.4826 * float(np.median(noise)) if noise.size else np.inf
    return mean, np.float32(scatter) * np.sqrt(2 / np.maximum(count, 1))


def _spread(cells: Bool, side: int, shape: tuple[int, ...]) -> Bool:
    """Cells as pixels."""
    return np.asarray(np.repeat(np.repeat(cells, side, axis=0), side, axis=1)[: shape[0], : shape[1]])


def _light(
    name: str, mask: Bool, values: Mapping[str, Float32], surfaces: Mapping[str, background.Surface]
) -> Float64:
    """(5,) mean of each plane over what it covers of a region, above the sky unless it is the sky."""
    total, count = np.zeros(len(OUTPUT_PLANES)), np.zeros(len(OUTPUT_PLANES))
    for rows in bands(mask.shape):
        here = mask[rows]
        for k, plane in enumerate(OUTPUT_PLANES):
            part = values[plane][rows][here].astype(np.float64)
            if name != "sky":
                part -= surfaces[plane].image((rows, slice(None)))[here]
            known = np.isfinite(part)
            total[k] += part[known].sum()
            count[k] += np.count_nonzero(known)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
