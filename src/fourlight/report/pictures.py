"""Pictures for the page: the finished picture, and the four planes under one and the same curve."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.core.cfa import PLANES
from fourlight.core.shrinkage import smooth_step
from fourlight.core.stretch import Curve, choose_curve
from fourlight.io.export import jpeg_bytes

__all__ = ["PlaneView", "embedded_picture", "plane_views", "rejected_view"]

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class PlaneView:
    """Two pictures of one plane as data addresses."""

    name: str
    whole: str
    detail: str


def _address(image: npt.NDArray[np.uint8], quality: int) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg_bytes(image, quality)).decode()


def embedded_picture(rgb: Float32, longest_px: int = 1800) -> str:
    """The picture (sRGB-encoded, 0 to 1) as a data address, reduced if it is larger than a page shows."""
    shallow = np.rint(np.clip(np.nan_to_num(rgb), 0, 1) * 255).astype(np.uint8)
    image = Image.fromarray(shallow)
    factor = longest_px / max(image.size)
    if factor < 1:
        size = (max(1, round(image.width * factor)), max(1, round(image.height * factor)))
        image = image.resize(size, Image.Resampling.LANCZOS)
    return _address(np.asarray(image), 90)


def rejected_view(counts: Float32, longest_px: int = 1440) -> str:
    """Rejected samples on each pixel as dark on light, a data address; empty where none was rejected."""
    if not counts.any():
        return ""
    light = _reduced(counts, longest_px)
    # a trail leaves one or two of many samples on a pixel: the root keeps it visible beside a hot pixel
    dark = np.sqrt(np.clip(light / max(float(np.quantile(light[light > 0], 0.9)), 1e-6), 0, 1))
    return _address(np.rint(255 * (1 - 0.92 * dark)).astype(np.uint8), 88)


def plane_views(
    planes: Mapping[str, Float32], longest_px: int = 720, detail_px: int = 150
) -> list[PlaneView]:
    """Each plane less its own sky level (its 15th percentile), all under the same curve.

    Planes that are missing or hold nothing are left out; planes are not changed; NaN is shown as sky.
    """
    names = [name for name in PLANES if name in planes and np.isfinite(planes[name]).any()]
    above = {name: planes[name] - np.float32(np.nanquantile(planes[name], 0.15)) for name in names}
    if not names:
        return []
    curve = _shared_curve(above)
    y0, x0 = _detail_corner(above, detail_px)
    views = []
    for name in names:
        light = np.nan_to_num(above[name], nan=0.0)
        part = light[y0 : y0 + detail_px, x0 : x0 + detail_px]
        views.append(
            PlaneView(name, _grey(_reduced(light, longest_px), curve), _grey(_enlarged(part), curve))
        )
    return views


def _grey(light: Float32, curve: Curve) -> str:
    return _address(np.rint(np.clip(curve(light), 0, 1) * 255).astype(np.uint8), 84)


def _enlarged(part: Float32, factor: int = 2) -> Float32:
    return np.repeat(np.repeat(part, factor, axis=0), factor, axis=1)


def _reduced(light: Float32, longest_px: int) -> Float32:
    """Block means, so that the picture of a plane keeps its light and loses its pixel noise."""
    step = max(1, -(-max(light.shape) // longest_px))
    ny, nx = (size // step * step for size in light.shape)
    blocks = light[:ny, :nx].reshape(ny // step, step, nx // step, step)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float32)


def _shared_curve(above: Mapping[str, Float32]) -> Curve:
    """Curve for the plane with the most light, so that no plane is pushed and none is cut."""
    spreads, brights, whites = [], [], []
    for light in above.values():
        values = light[np.isfinite(light)]
        spreads.append(_pixel_noise(light))
        # stars are cut before smoothing, so that the bright end is that of the extended object
        cut = np.minimum(np.nan_to_num(light, nan=0.0), np.float32(np.quantile(values, 0.98)))
        smooth = smooth_step(smooth_step(smooth_step(cut, 0), 1), 2)
        brights.append(float(np.quantile(smooth, 0.98)))
        whites.append(float(np.quantile(values, 0.9998)))
    bright = max(brights) if max(brights) > max(spreads) else 0.0
    return choose_curve(
        max(spreads), bright, max(whites), sky=0.13, bright_target=0.7, noise_limit=0.04, top=0.98
    )


def _pixel_noise(light: Float32) -> float:
    """Standard deviation of pixels from their neighbours, to which smooth light adds nothing."""
    step = np.diff(light, axis=1)
    step = step[np.isfinite(step)]
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(2)) if step.size else 0.0


def _detail_corner(above: Mapping[str, Float32], detail_px: int) -> tuple[int, int]:
    """Corner of a square with much structure: the largest product of light and detail of the planes' sum."""
    total = sum(np.nan_to_num(light, nan=0.0) for light in above.values())
    ny, nx = np.shape(total)
    step = max(8, detail_px // 3)
    smooth = smooth_step(smooth_step(np.asarray(total, dtype=np.float32), 0), 1)
    limit = np.quantile(smooth, 0.995)
    smooth = np.minimum(smooth, limit)
    best, corner = -np.inf, (max(0, (ny - detail_px) // 2), max(0, (nx - detail_px) // 2))
    for y0 in range(step, ny - detail_px - step + 1, step):
        for x0 in range(step, nx - detail_px - step + 1, step):
            score = float(smooth[y0 : y0 + detail_px, x0 : x0 + detail_px].std())
            if score > best:
                best, corner = score, (y0, x0)
    return corner
