"""Pictures for the page: the finished picture, and the four planes under one and the same curve."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.core.cfa import PLANES
from fourlight.core.starlet import smoothed
from fourlight.core.stretch import Curve, choose_curve
from fourlight.io.export import jpeg_bytes, own_picture, shallow
from fourlight.stages.canvas import every, some

__all__ = [
    "Pixels",
    "PlaneView",
    "address",
    "balanced_light",
    "detail_corner",
    "embedded_picture",
    "plane_views",
    "reduced",
    "rejected_view",
    "shared_greys",
    "two_lights",
]

Float32 = npt.NDArray[np.float32]
Pixels = npt.NDArray[np.float32] | npt.NDArray[np.uint16]

BAND_ROWS = 32
"""Rows that are worked on at a time."""

LANCZOS = 3
"""Reach of the filter that makes pictures smaller, pixels of the smaller one."""

STRIP_ROWS = 64
"""Rows beside each other of which one in so many strips is looked at."""


@dataclass(frozen=True, slots=True)
class PlaneView:
    """Two pictures of one plane as data addresses."""

    name: str
    whole: str
    detail: str


def _address(image: npt.NDArray[np.uint8], quality: int) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg_bytes(image, quality)).decode()


def address(path: Path, longest_px: int) -> str:
    """A picture file of ours as a data address, reduced if it is larger."""
    with own_picture(path) as image:
        image.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
        return _address(np.asarray(image.convert("RGB")), 86)


def embedded_picture(rgb: Pixels, longest_px: int = 1800) -> str:
    """The picture as a data address, reduced if it is larger than a page shows; see `reduced`."""
    return _address(reduced(rgb, longest_px), 90)


def reduced(rgb: Pixels, longest_px: int) -> npt.NDArray[np.uint8]:
    """A picture in 8 bits, smaller if its longer side is more than that.

    It is read some rows at a time, so that of one on the disk little is in memory.

    Parameters
    ----------
    rgb : (ny, nx, 3) float32 or uint16
        sRGB-encoded, 0 to 1 or 0 to 65535.
    longest_px : int
    """
    step = max(1, max(rgb.shape) // longest_px)

    def rows(y0: int, y1: int) -> npt.NDArray[np.uint8]:
        light = np.asarray(rgb[y0 * step : y1 * step], dtype=np.float32)
        if rgb.dtype == np.uint16:
            light /= np.float32(65535)
        return shallow(_blocks(light, step) if step > 1 else light)

    return _shorter(rows, (rgb.shape[0] // step, rgb.shape[1] // step), longest_px)


def _shorter(
    rows: Callable[[int, int], npt.NDArray[np.uint8]], shape: tuple[int, ...], longest_px: int
) -> npt.NDArray[np.uint8]:
    """A picture whose longer side is no more than that, from its rows, some at a time."""
    ny, nx = shape[:2]
    factor = longest_px / max(ny, nx)
    if factor >= 1:
        return rows(0, ny)
    high, wide = max(1, round(ny * factor)), max(1, round(nx * factor))
    scale, out = ny / high, np.empty((high, wide, 3), dtype=np.uint8)
    beside = int(np.ceil(LANCZOS * scale)) + 1
    for y in range(0, high, STRIP_ROWS):
        end = min(y + STRIP_ROWS, high)
        top, bottom = max(int(y * scale) - beside, 0), min(int(np.ceil(end * scale)) + beside, ny)
        strip = Image.fromarray(rows(top, bottom))
        box = (0.0, y * scale - top, float(nx), end * scale - top)
        out[y:end] = np.asarray(strip.resize((wide, end - y), Image.Resampling.LANCZOS, box=box))
    return out


def rejected_view(counts: Float32, longest_px: int = 1440) -> str:
    """Rejected samples on each pixel as dark on light, a data address; empty where none was rejected.

    NaN, as where the stack holds nothing, counts as none rejected.
    """
    light = _blocks(counts, max(1, -(-max(counts.shape) // longest_px)), np.float32(0))
    if not light.any():
        return ""
    # a trail leaves one or two of many samples on a pixel: the root keeps it visible beside a hot pixel
    dark = np.sqrt(np.clip(light / max(float(np.quantile(light[light > 0], 0.9)), 1e-6), 0, 1))
    return _address(np.rint(255 * (1 - 0.92 * dark)).astype(np.uint8), 88)


def plane_views(
    planes: Mapping[str, Float32], longest_px: int = 720, detail_px: int = 150
) -> list[PlaneView]:
    """Each plane less its own sky level (its 15th percentile), all under the same curve.

    Planes that are missing or hold nothing are left out; planes are not changed; NaN is shown as sky.
    """
    names = [name for name in PLANES if name in planes and np.isfinite(some(planes[name])).any()]
    if not names:
        return []
    sky = {name: np.float32(np.nanquantile(some(planes[name]), 0.15)) for name in names}
    curve = _shared_curve({name: planes[name] for name in names}, sky)
    y0, x0 = detail_corner([(planes[name], sky[name]) for name in names], detail_px)
    views = []
    for name in names:
        part = _above(planes[name][y0 : y0 + detail_px, x0 : x0 + detail_px], sky[name])
        step = max(1, -(-max(planes[name].shape) // longest_px))
        whole = _blocks(planes[name], step, sky[name])
        views.append(PlaneView(name, _grey(whole, curve), _grey(_enlarged(part), curve)))
    return views


def shared_greys(planes: Mapping[str, Float32], longest_px: int) -> dict[str, npt.NDArray[np.uint8]]:
    """Each plane as `plane_views` shows all of it, (my, mx) grey levels; planes that hold nothing are left out."""
    names = [name for name in planes if np.isfinite(some(planes[name])).any()]
    if not names:
        return {}
    sky = {name: np.float32(np.nanquantile(some(planes[name]), 0.15)) for name in names}
    curve = _shared_curve({name: planes[name] for name in names}, sky)
    step = max(1, -(-max(planes[names[0]].shape) // longest_px))
    return {name: _levels(_blocks(planes[name], step, sky[name]), curve) for name in names}


def balanced_light(
    planes: Mapping[str, Float32], weights: Mapping[str, float] | None, longest_px: int
) -> tuple[dict[str, Float32], Curve]:
    """Light of each plane above its sky, reduced and balanced, and the curve that shows all of them.

    ``weights`` are factors by colour (R, G, B); without them all planes hold as much light, stars cut.
    """
    sky = {name: _darkest(plane) for name, plane in planes.items()}
    if weights is None:
        held = {name: _held(plane, sky[name]) for name, plane in planes.items()}
        most = max(held.values())
        factor = {name: most / max(value, 1e-3 * most) for name, value in held.items()}
    else:
        factor = {name: weights[name[0]] for name in planes}
    step = max(1, -(-max(next(iter(planes.values())).shape) // longest_px))
    light = {
        name: np.float32(factor[name]) * _blocks(plane, step, sky[name]) for name, plane in planes.items()
    }
    return light, _shared_curve(light, dict.fromkeys(light, np.float32(0)))


def two_lights(
    before: Mapping[str, Float32],
    after: Mapping[str, Float32],
    sky: Mapping[str, tuple[float, float]],
    step: int,
) -> tuple[dict[str, Float32], dict[str, Float32], Curve]:
    """Light of two stacks above their skies, ``step`` pixels to one, under the factors and the curve of the first."""
    level = {name: (np.float32(one), np.float32(two)) for name, (one, two) in sky.items()}
    held = {name: _held(plane, level[name][0]) for name, plane in before.items()}
    most = max(held.values())
    factor = {name: np.float32(most / max(value, 0.05 * most)) for name, value in held.items()}
    first = {name: factor[name] * _blocks(plane, step, level[name][0]) for name, plane in before.items()}
    second = {name: factor[name] * _blocks(plane, step, level[name][1]) for name, plane in after.items()}
    return first, second, _shared_curve(first, dict.fromkeys(first, np.float32(0)))


def _darkest(plane: Float32) -> np.float32:
    """Level of the darkest places, which a channel that is taken away shows: others must not be darker there."""
    side = max(1, min(16, min(plane.shape) // 8))
    return np.float32(np.nanquantile(_blocks(plane, side), 0.02))


def _held(plane: Float32, sky: np.float32) -> float:
    """Mean light above the sky, cut at that of all but bright stars."""
    values = some(plane) - sky
    values = values[np.isfinite(values)]
    return max(float(np.minimum(values, np.quantile(values, 0.98)).mean()), 1e-30)


def _above(plane: Float32, sky: np.float32) -> Float32:
    """Light above the sky; undefined pixels are shown as sky."""
    light = plane - sky
    light[np.isnan(light)] = 0
    return np.asarray(light)


def _grey(light: Float32, curve: Curve) -> str:
    return _address(_levels(light, curve), 84)


def _levels(light: Float32, curve: Curve) -> npt.NDArray[np.uint8]:
    return np.rint(np.clip(curve(light), 0, 1) * 255).astype(np.uint8)


def _enlarged(part: Float32, factor: int = 2) -> Float32:
    return np.repeat(np.repeat(part, factor, axis=0), factor, axis=1)


def _blocks(light: Float32, step: int, sky: np.float32 | None = None) -> Float32:
    """Block means, so that the picture of a plane keeps its light and loses its pixel noise; less its sky, if given."""
    ny, nx = (size // step for size in light.shape[:2])
    out = np.empty((ny, nx, *light.shape[2:]), dtype=np.float32)
    many = max(1, BAND_ROWS // step)
    for y in range(0, ny, many):
        rows = light[y * step : min(y + many, ny) * step, : nx * step]
        rows = rows if sky is None else _above(rows, sky)
        lines = rows[::step].copy()
        for k in range(1, step):
            lines += rows[k::step]
        total = lines[:, ::step].copy()
        for k in range(1, step):
            total += lines[:, k::step]
        out[y : y + many] = total / np.float32(step * step)
    return out


def _shared_curve(planes: Mapping[str, Float32], sky: Mapping[str, np.float32]) -> Curve:
    """Curve for the plane with the most light, so that no plane is pushed and none is cut."""
    spreads, brights, whites = [], [], []
    for name, plane in planes.items():
        values = some(plane) - sky[name]
        # stars are cut before smoothing, so that the bright end is that of the extended object
        limit, white = np.quantile(values[np.isfinite(values)], (0.98, 0.9998)).astype(np.float32)
        spreads.append(_pixel_noise(plane))
        brights.append(float(np.quantile(_smooth(plane, sky[name], limit), 0.98)))
        whites.append(float(white))
    bright = max(brights) if max(brights) > max(spreads) else 0.0
    return choose_curve(
        max(spreads), bright, max(whites), sky=0.13, bright_target=0.7, noise_limit=0.04, top=0.98
    )


def _smooth(plane: Float32, sky: np.float32, limit: np.float32) -> Float32:
    """Light above the sky up to a limit, smoothed over about 15 px, on an even grid of strips and columns."""
    step, reach, parts = every(plane.shape), 14, []
    for y in range(0, len(plane), STRIP_ROWS * step):
        low = max(y - reach, 0)
        light = smoothed(np.minimum(_above(plane[low : y + STRIP_ROWS + reach], sky), limit), 3)
        parts.append(light[y - low : y - low + STRIP_ROWS, ::step])
    return np.concatenate(parts)


def _pixel_noise(plane: Float32) -> float:
    """Standard deviation of pixels from their neighbours, to which smooth light adds nothing."""
    rows = plane[:: every(plane.shape) ** 2]
    step = np.diff(rows, axis=1)
    step = step[np.isfinite(step)]
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(2)) if step.size else 0.0


def detail_corner(planes: Sequence[tuple[Float32, np.float32]], detail_px: int) -> tuple[int, int]:
    """Corner of a square with much structure: where the light of all planes above their sky varies most."""
    ny, nx = planes[0][0].shape
    block = every((ny, nx))
    total = sum(_blocks(plane, block, sky) for plane, sky in planes)
    step, side = max(8, detail_px // 3) // block, detail_px // block
    smooth = smoothed(np.asarray(total, dtype=np.float32), 2)
    smooth = np.minimum(smooth, np.quantile(smooth, 0.995))
    best, corner = -np.inf, (max(0, (ny - detail_px) // 2), max(0, (nx - detail_px) // 2))
    for y0 in range(step, smooth.shape[0] - side - step + 1, max(step, 1)):
        for x0 in range(step, smooth.shape[1] - side - step + 1, max(step, 1)):
            score = float(smooth[y0 : y0 + side, x0 : x0 + side].std())
            if score > best:
                best, corner = score, (y0 * block, x0 * block)
    return corner
