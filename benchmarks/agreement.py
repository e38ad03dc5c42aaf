"""Whether two stacks of the same lights on the same grid show the same: light of stars, and sky, plane by plane."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import sep
from astropy.io import fits

__all__ = ["Agreement", "compared"]

Float64 = npt.NDArray[np.float64]

APERTURE_PX, RING_PX = 8.0, (12.0, 16.0)
RIM_PX = 40
LEAST_STARS = 10


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far a plane of one stack is from that of the other."""

    flux: float
    """Median light of bright stars over that in the other stack, less one."""
    scatter: float
    """Scatter of the same, 1.4826 times the median deviation."""
    stars: int
    sky: float
    """Median level over that of the other stack, less one."""


def compared(ours: Path, theirs: Path, most: int = 200) -> dict[str, Agreement]:
    """Each plane of ``stack.fits`` in two folders; stars are those that sep finds in G of the second.

    Raises
    ------
    ValueError
        The stacks have different sizes, or too few stars to compare.
    """
    with fits.open(ours / "stack.fits") as one, fits.open(theirs / "stack.fits") as other:
        if one["G"].shape != other["G"].shape:
            raise ValueError(f"stacks of {one['G'].shape} and {other['G'].shape} pixels; needed the same")
        x, y = _stars(_picture(other, "G"), most)
        out = {}
        for plane in ("R", "G1", "G2", "B", "G"):
            pair = [_picture(stack, plane) for stack in (one, other)]
            light = [_light(picture, x, y) for picture in pair]
            good = np.isfinite(light[0]) & np.isfinite(light[1])
            if good.sum() < LEAST_STARS:
                raise ValueError(f"{good.sum()} stars in both stacks; needed {LEAST_STARS}")
            ratio = light[0][good] / light[1][good]
            middle = float(np.median(ratio))
            rim = np.s_[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX]
            levels = [float(np.nanmedian(picture[rim])) for picture in pair]
            out[plane] = Agreement(
                middle - 1,
                float(1.4826 * np.median(np.abs(ratio - middle))),
                int(good.sum()),
                levels[0] / levels[1] - 1,
            )
    return out


def _picture(stack: fits.HDUList, plane: str) -> npt.NDArray[np.float32]:
    return np.ascontiguousarray(stack[plane].data, dtype=np.float32)


def _stars(picture: npt.NDArray[np.float32], most: int) -> tuple[Float64, Float64]:
    """Brightest stars that stand alone, away from the rim."""
    bad = ~np.isfinite(picture)
    clean = np.where(bad, np.nanmedian(picture), picture)
    back = sep.Background(clean, mask=bad)
    found = sep.extract(clean - back.back(), 10, err=back.globalrms, mask=bad)
    ny, nx = picture.shape
    apart = np.hypot(found["x"][:, None] - found["x"], found["y"][:, None] - found["y"])
    apart[np.arange(len(found)), np.arange(len(found))] = np.inf
    good = (
        (found["flag"] == 0) & (apart.min(axis=1) > RING_PX[1]) & (found["peak"] < 0.3 * found["peak"].max())
    )
    good &= (
        (found["x"] > RIM_PX)
        & (found["x"] < nx - RIM_PX)
        & (found["y"] > RIM_PX)
        & (found["y"] < ny - RIM_PX)
    )
    found = found[good]
    found = found[np.argsort(-found["flux"])][:most]
    return found["x"], found["y"]


def _light(picture: npt.NDArray[np.float32], x: Float64, y: Float64) -> Float64:
    """Light within the aperture less the sky in the ring around it; NaN where a pixel is missing."""
    bad = ~np.isfinite(picture)
    clean = np.where(bad, np.float32(0), picture)
    light, _, _ = sep.sum_circle(clean, x, y, APERTURE_PX, bkgann=RING_PX)
    missing, _, _ = sep.sum_circle(bad.astype(np.float32), x, y, APERTURE_PX)
    return np.where(missing > 0, np.nan, light)
