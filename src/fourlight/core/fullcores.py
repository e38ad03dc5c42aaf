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
FITS, BETTER = 4.0, 0.6
"""Chi-square per pixel up to which stars fit, and what another star must bring it down to, times what it was: with 0.8
noise and neighbours were fitted as stars (simulated clusters, docs/decisions/0038)."""
MISSED_PX = 1.0
"""Smoothing of what is missing, pixels, so that no single one tells where a star is."""


@dataclass(frozen=True, slots=True)
class Core:
    """A group of full pixels and the stars that the light around them tells of."""

    part: tuple[slice, slice]
    """Rows and columns of the image around it."""
    full: Bool
    """(rows, columns) its full pixels and those beside them."""
    stars: Float64
    """(n, 3) x, y in the image and height of the profile."""
    start: Float64
    """(n, 2) x, y in the part, around which its stars are looked for; none: they are still to be guessed."""
    enough: bool = False
    """Whether one star more was tried, and fits no better."""

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


def cores(hot: Bool, fwhm_px: float) -> list[Core]:
    """All groups of full pixels, from `full_spots`, without any stars yet: `refitted` finds them."""
    if not hot.any():
        return []
    labels, _ = ndimage.label(hot, np.ones((3, 3)))
    found = []
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        reach = int(np.ceil(max(box[0].stop - box[0].start, box[1].stop - box[1].start) / 2))
        reach += int(np.ceil(4 * fwhm_px))
        part = (
            slice(max(box[0].start - reach, 0), box[0].stop + reach),
            slice(max(box[1].start - reach, 0), box[1].stop + reach),
        )
        found.append(Core(part, labels[part] == k, np.zeros((0, 3)), np.zeros((0, 2))))
    return found


def refitted(
    left: Float32, plane: Float32, core: Core, hot: Bool, profile: FieldProfile, *, more: bool = True
) -> Core:
    """A group fitted, or fitted again, to what is left of a plane once all other stars were taken off.

    Parameters
    ----------
    left, plane : (ny, nx) float32
        Without all other stars, and as it came; NaN where nothing covers.
    core : Core
    hot : (ny, nx) bool
        From `full_spots`.
    profile : FieldProfile
    more : bool
        Whether it gets as many stars as its light asks for.
    """
    around = _Around(left[core.part], plane[core.part], core, hot[core.part], profile)
    start = core.start.ravel() if len(core.start) else _starts(core.full, profile.fwhm_px()).ravel()
    places, height, wrong = around.fitted(start)
    enough = core.enough
    while more and not enough and wrong > FITS and len(height) < min(around.room, MOST):
        longer = np.append(start, around.missing(places, height))
        trial = around.fitted(longer)
        enough = trial[2] > BETTER * wrong
        if not enough:
            start, (places, height, wrong) = longer, trial
    corner = [core.part[1].start, core.part[0].start]
    stars = np.column_stack([places.reshape(-1, 2) + corner, height])
    return Core(core.part, core.full, stars[height > 0], start.reshape(-1, 2), enough)


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


class _Around:
    """The light around a group of full pixels, and stars fitted to it."""

    def __init__(self, image: Float32, whole: Float32, core: Core, hot: Bool, profile: FieldProfile) -> None:
        own, part, self._size = core.full, core.part, image.shape
        clear = np.isfinite(image) & ~hot
        use = clear & (ndimage.distance_transform_edt(~own) < 2.0 * profile.fwhm_px())
        self._own, self._profile = np.argwhere(own), profile
        self._rows, self._columns = np.nonzero(use)
        middle = self._own.mean(axis=0) + [part[0].start, part[1].start]
        self._shape = profile.shape(float(middle[1]), float(middle[0]))
        level = float(np.quantile(image[clear], 0.3)) if clear.any() else 0.0
        self._value = image[use].astype(np.float64) - level
        self._top = max(float(self._value.max(initial=0.0)), 0.0)
        # the light around a full star spans decades: each pixel may be wrong by a share of it, whose ever it was
        light = np.maximum(whole[use].astype(np.float64) - level, self._value)
        self._weight = 1 / (DOUBT * np.maximum(light, max(0.05 * self._top, 1e-30)))

    @property
    def room(self) -> int:
        """Stars that so many pixels can tell of."""
        return (self._value.size - 6) // 3 if self._top > 0 else 0

    def fitted(self, start: Float64) -> tuple[Float64, Float64, float]:
        """Places x, y one after another and heights of stars, and chi-square per pixel; heights of 0: not told."""
        if self.room < len(start) // 2:
            return start, np.zeros(len(start) // 2), 0.0
        reach = max(float(np.sqrt(len(self._own) / np.pi)), 1.0)
        found = optimize.least_squares(self._off, start, bounds=(start - reach, start + reach), max_nfev=15)
        return found.x, self._heights(self._lights(found.x)), 2 * float(found.cost) / self._value.size

    def missing(self, places: Float64, heights: Float64) -> Float64:
        """x, y of the full pixel that is nearest to where most light is missing."""
        left = np.zeros(self._size)
        left[self._rows, self._columns] = self._weight * (self._value - heights @ self._lights(places))
        left = ndimage.gaussian_filter(left, MISSED_PX)
        at = np.argmax(left[self._rows, self._columns])
        apart = np.hypot(self._own[:, 0] - self._rows[at], self._own[:, 1] - self._columns[at])
        return self._own[np.argmin(apart), ::-1].astype(np.float64)

    def _lights(self, places: Float64) -> Float64:
        seen, rest = np.empty((len(places) // 2, self._value.size)), self._profile.rest
        for (x, y), out in zip(places.reshape(-1, 2), seen, strict=True):
            printed_at(self._shape, self._profile.wings, rest, self._columns - x, self._rows - y, out)
        return seen

    def _heights(self, seen: Float64) -> Float64:
        return np.asarray(optimize.nnls((seen * self._weight).T, self._value * self._weight)[0])

    def _off(self, places: Float64) -> Float64:
        seen = self._lights(places)
        return np.asarray(self._weight * (self._value - self._heights(seen) @ seen))
