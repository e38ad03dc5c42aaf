"""The map of defective samples of a sensor, from lights and master darks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import plane_map
from fourlight.core.defects import HALO, STAR_MOVED, STAR_STILL, persistent, stars_moved
from fourlight.core.noise import sample_noise
from fourlight.frames import RawFrame
from fourlight.stages.banding import bands, each_band
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.masters import Master, patches

__all__ = ["from_dark", "from_lights", "sources", "spread_over"]

BoolArray = npt.NDArray[np.bool_]

_MOST_LIGHTS = 16
_LARGEST_SHARE = 0.02
"""Share of samples above which the threshold is doubled: the cure would cost more than the defects."""
_NOISE_GROWTH = 9.0
"""A hot sample is left out when its own dark signal adds this many times the variance of a sample: it would
carry a tenth of the weight of its neighbours."""


def from_lights(
    lights: Sequence[RawFrame],
    open_light: Callable[[RawFrame], CalibratedSource],
    threshold: float,
    threads: int = 1,
    step: float = 0.0,
) -> tuple[BoolArray, float]:
    """Samples that stand apart from their own-plane neighbours in most of up to 16 lights over all nights.

    Parameters
    ----------
    lights : sequence of RawFrame
        At least one, of one size.
    open_light : callable
        Gives the light with its offset taken off.
    threshold : float
        Significance asked for, see `fourlight.core.defects.persistent`; 1.5 times as much with one
        or two lights.
    threads : int
        Bands of rows that are worked on at the same time.
    step : float
        Step of the digitiser, ADU; 0 where samples are not whole numbers.

    Returns
    -------
    (ny, nx) bool, float
        True at defects; the threshold in the end, doubled until at most 2 % of samples are above it.
    """
    opened = [open_light(frame) for frame in spread_over(lights, _MOST_LIGHTS)]
    noises = np.stack([_cell_noise(source, step) for source in opened])
    if len(opened) < 3:
        threshold *= 1.5
    for _ in range(4):
        found = _apart(opened, noises, threshold, threads)
        if found.mean() <= _LARGEST_SHARE:
            break
        threshold *= 2
    return found, threshold


def _apart(
    opened: Sequence[CalibratedSource], noises: npt.NDArray[np.float64], threshold: float, threads: int
) -> BoolArray:
    """Samples that stand apart in most of the lights, band by band."""
    ny, nx = opened[0].shape
    inner = list(bands(ny, nx, 2 * len(opened)))
    outer = [slice(max(0, y0 - HALO), min(ny, y1 + HALO)) for y0, y1 in inner]

    def band(stack: npt.NDArray[np.float32], rows: slice) -> BoolArray:
        share = STAR_MOVED if stars_moved(stack, noises, rows.start) else STAR_STILL
        return persistent(stack, noises, rows.start, threshold, share)

    found = np.zeros((ny, nx), dtype=np.bool_)
    for (y0, y1), rows, part in zip(inner, outer, each_band(band, opened, outer, threads), strict=True):
        found[y0:y1] = part[y0 - rows.start : y1 - rows.start]
    return found


def from_dark(
    dark: Master, pattern: str, variance: npt.NDArray[np.float64], scale: float | None, full: float | None
) -> BoolArray:
    """Samples so hot that taking off the dark leaves mostly noise or little room below saturation.

    Parameters
    ----------
    dark : Master
        Master dark, ADU.
    pattern : str
        Mosaic pattern in array order.
    variance : (4,) float64
        Variance of an ordinary sample of a light per plane, ADU^2.
    scale : float or None
        Gain in e/ADU; None leaves only the test against saturation.
    full : float or None
        Level of a full sample, ADU.
    """
    array = dark.open()
    cell = plane_map(pattern)
    found = np.zeros(array.shape, dtype=np.bool_)
    for y, x in np.ndindex(2, 2):
        plane = np.asarray(array[y::2, x::2])
        middle = float(np.nanmedian(plane[:: max(1, len(plane) // 100)]))
        limit = np.inf if full is None else (full - middle) / 2
        if scale is not None and np.isfinite(variance[cell[y, x]]):
            # dark signal of D ADU brings a variance of D / gain ADU^2
            limit = min(limit, _NOISE_GROWTH * float(variance[cell[y, x]]) * scale)
        found[y::2, x::2] = ~(plane - middle <= limit)
    return found


def sources(stand_out: int, hot: int, both: int, lights: int, known: int = 0, alone: int = 0) -> str:
    """Where defective samples were found, in words.

    Parameters
    ----------
    stand_out, hot, both : int
        Samples that stand out in the lights, that are too hot in a dark, and that are both.
    lights : int
        Lights in all.
    known, alone : int
        Samples that the map of the camera profile has, and that nothing else shows.

    >>> sources(81, 1, 1, 24)
    '81 stand out in the lights (16 of 24 were looked at), 1 is too hot in the dark (1 of them counts in both)'
    >>> sources(5, 0, 0, 8, 40, 36)
    '5 stand out in the lights, 40 are in the map of the camera profile (36 of them nowhere else)'
    >>> sources(1, 0, 0, 8), sources(5, 3, 0, 2)
    ('1 stands out in the lights', '5 stand out in the lights, 3 are too hot in the dark')
    """
    said = f"{stand_out} stand{'s' * (stand_out == 1)} out in the lights"
    said += f" ({_MOST_LIGHTS} of {lights} were looked at)" if lights > _MOST_LIGHTS else ""
    if hot:
        said += f", {hot} {'is' if hot == 1 else 'are'} too hot in the dark"
    if both:
        said += f" ({both} of them count{'s' * (both == 1)} in both)"
    if known:
        said += f", {known} {'is' if known == 1 else 'are'} in the map of the camera profile"
        said += f" ({alone} of them nowhere else)"
    return said


def spread_over(frames: Sequence[RawFrame], most: int) -> list[RawFrame]:
    """At most so many frames, evenly spread in order of night and time."""
    ordered = sorted(frames, key=lambda f: (f.night or "", str(f.time or ""), str(f.path)))
    if len(ordered) <= most:
        return ordered
    return [ordered[i] for i in np.linspace(0, len(ordered) - 1, most).astype(int)]


def _cell_noise(source: CalibratedSource, step: float) -> npt.NDArray[np.float64]:
    """Noise of one sample by place in the mosaic cell (2, 2), the median over a few patches of the frame."""
    found = np.asarray(
        [
            [sample_noise(part[y::2, x::2], step=step) for y, x in np.ndindex(2, 2)]
            for part in patches(source, 3)
        ]
    )
    noise = np.nanmedian(found, axis=0) if np.isfinite(found).all(axis=1).any() else np.zeros(4)
    return np.nan_to_num(noise).reshape(2, 2)
