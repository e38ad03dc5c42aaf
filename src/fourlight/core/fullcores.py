"""Groups of full pixels, and the stars that the light around them tells of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize

from fourlight.core.fieldprofile import FieldProfile, printed_at

__all__ = ["Core", "cores", "full_spots", "refitted"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

DOUBT = 0.03
"""Share of the light by which the wings of the profile may be wrong."""
MOST = 6
"""Stars that one group of full pixels is taken to be made of at most."""


@dataclass(frozen=True, slots=True)
class Core:
    """A group of full pixels and the stars that the light around them tells of."""

    part: tuple[slice, slice]
    """Rows and columns of the image around it."""
    full: Bool
    """(rows, columns) its full pixels and those beside them."""
    stars: Float64
    """(n, 3) x, y in the image and height of the profile."""

    @property
    def size_px(self) -> float:
        """Radius of a disc of as many pixels."""
        return float(np.sqrt(self.full.sum() / np.pi))


def full_spots(planes: list[Float32], full: float) -> Bool:
    """Pixels as bright as ``full`` in any of the planes, and those beside them."""
    hot = np.zeros(planes[0].shape, dtype=bool)
    if np.isfinite(full):
        with np.errstate(invalid="ignore"):
            for plane in planes:
                hot |= plane >= full
    return ndimage.binary_dilation(hot, np.ones((3, 3))) if hot.any() else hot


def cores(plane: Float32, profile: FieldProfile, hot: Bool, *, fitted: bool = True) -> list[Core]:
    """All groups of full pixels, with the stars that fit the light around them, or without any yet.

    Parameters
    ----------
    plane : (ny, nx) float32
        NaN where nothing covers.
    profile : FieldProfile
    hot : (ny, nx) bool
        From `full_spots`.
    """
    if not hot.any():
        return []
    labels, _ = ndimage.label(hot, np.ones((3, 3)))
    found = []
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        reach = int(np.ceil(max(box[0].stop - box[0].start, box[1].stop - box[1].start) / 2))
        reach += int(np.ceil(4 * profile.fwhm_px()))
        part = (
            slice(max(box[0].start - reach, 0), box[0].stop + reach),
            slice(max(box[1].start - reach, 0), box[1].stop + reach),
        )
        own = labels[part] == k
        if fitted:
            found.append(_fitted(plane[part], own, hot[part], part, profile))
        else:
            found.append(Core(part, own, np.zeros((0, 3))))
    return found


def refitted(plane: Float32, core: Core, hot: Bool, profile: FieldProfile) -> Core:
    """The same group fitted again, to a plane from which all other stars were taken off."""
    return _fitted(plane[core.part], core.full, hot[core.part], core.part, profile)


def _starts(own: Bool, fwhm_px: float) -> Float64:
    """(n, 2) x, y of where the stars of a group may be: where it is thickest."""
    depth = ndimage.distance_transform_edt(np.pad(own, 1))[1:-1, 1:-1]
    depth = ndimage.gaussian_filter(depth, 0.5)
    size = 2 * max(round(0.5 * fwhm_px), 1) + 1
    rows, columns = np.nonzero((depth >= ndimage.maximum_filter(depth, size)) & (depth > 1.2))
    if len(rows) == 0:
        rows, columns = (np.array([part.mean()]) for part in np.nonzero(own))
    order = np.argsort(-depth[np.rint(rows).astype(int), np.rint(columns).astype(int)], kind="stable")
    kept: list[tuple[float, float]] = []
    for k in order:
        if len(kept) == MOST:
            break
        place = float(columns[k]), float(rows[k])
        if all(np.hypot(place[0] - x, place[1] - y) > fwhm_px for x, y in kept):
            kept.append(place)
    return np.array(kept)


def _fitted(image: Float32, own: Bool, hot: Bool, part: tuple[slice, slice], profile: FieldProfile) -> Core:
    start, width = _starts(own, profile.fwhm_px()), profile.fwhm_px()
    y0, x0 = part[0].start, part[1].start
    clear = np.isfinite(image) & ~hot
    use = clear & (ndimage.distance_transform_edt(~own) < 2.0 * width)
    rows, columns = np.nonzero(use)
    level = float(np.quantile(image[clear], 0.3)) if clear.any() else 0.0
    shape = profile.shape(start[0, 0] + x0, start[0, 1] + y0)
    value = image[use].astype(np.float64) - level
    top = max(float(value.max()), 1e-30) if value.size else 0.0
    # the light around a full star spans decades: each pixel may be wrong by a share of it
    weight = 1 / (DOUBT * np.maximum(value, 0.05 * top)) if value.size else value

    def lights(places: Float64) -> Float64:
        seen = np.empty((len(places) // 2, value.size))
        for (x, y), out in zip(places.reshape(-1, 2), seen, strict=True):
            printed_at(shape, profile.wings, profile.rest, columns - x, rows - y, out)
        return seen

    def heights(seen: Float64) -> Float64:
        return np.asarray(optimize.nnls((seen * weight).T, value * weight)[0])

    def off(places: Float64) -> Float64:
        seen = lights(places)
        return np.asarray(weight * (value - heights(seen) @ seen))

    places, height = start.ravel(), np.zeros(len(start))
    if value.size >= 6 + 3 * len(start) and top > 0:
        room = max(float(np.sqrt(own.sum() / np.pi)), 1.0)
        places = optimize.least_squares(off, places, bounds=(places - room, places + room), max_nfev=15).x
        height = heights(lights(places))
    stars = np.column_stack([places.reshape(-1, 2) + [x0, y0], height])
    return Core(part, own, stars[height > 0])
