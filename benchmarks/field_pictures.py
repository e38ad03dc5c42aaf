"""The same star field by each method, side by side: docs/pictures/methods.png.

Usage: python benchmarks/field_pictures.py [--frames N] [--scale ARCSEC]

Stars alone, undersampled and dithered, with known truth. Beside drops and least squares stands what is made where the
colours are filled in first: missing samples of each light from their neighbours (bilinear), lights aligned by cubic
splines, clipped mean. All panels have one stretch and one white balance, and every pixel is shown as a square.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from astropy.stats import sigma_clip
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage
from sharpness import expected, scene_of

from fourlight.core import cfa, maps
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parent.parent / "docs" / "pictures" / "methods.png"
CROP, ZOOM, GAP, TEXT = 64, 5, 12, 26


def filled_in(image: Float64, cell: npt.NDArray[np.int64]) -> Float64:
    """(3, ny, nx): each colour at every pixel, the mean of its nearest samples where it has none."""
    y, x = np.indices(image.shape)
    plane = cell[y % 2, x % 2]
    kernel = np.array([[0.25, 0.5, 0.25], [0.5, 1.0, 0.5], [0.25, 0.5, 0.25]])
    out = []
    for members in ((0,), (1, 2), (3,)):
        own = np.isin(plane, members).astype(float)
        total, weight = (ndimage.convolve(part, kernel, mode="mirror") for part in (image * own, own))
        out.append(np.where(own > 0, image, total / weight))
    return np.array(out)


def averaged(summary: dict[str, Any], gain: float) -> Float64:
    """Clipped mean (3, ny, nx) of lights that were filled in and aligned."""
    cell = cfa.plane_map(summary["mosaic"]["pattern"])
    aligned = []
    for frame in summary["frames"]:
        raw = fits.getdata(frame["path"]).astype(float)
        colours = filled_in((raw - summary["noise"]["pedestal_adu"]) * gain, cell)
        back = maps.inverse(np.array(frame["matrix"]))
        linear, shift = back[::-1, 1::-1], back[::-1, 2]
        light = np.mean(list(frame["transparency"].values()))
        moved = [
            ndimage.affine_transform(c, linear, shift, order=3, mode="constant", cval=np.nan) for c in colours
        ]
        aligned.append(np.array(moved) / light)
    clipped = sigma_clip(np.array(aligned), sigma=3, axis=0, stdfunc="mad_std", masked=False)
    return np.asarray(np.nanmean(clipped, axis=0), dtype=np.float64)


def shown(colours: Float64, white: Float64, top: float) -> npt.NDArray[np.uint8]:
    """A crop as 8 bits: sky taken off, balanced, stretched by asinh."""
    flat = colours - np.nanmedian(colours, axis=(1, 2))[:, None, None]
    bright = np.clip(np.nan_to_num(flat / white[:, None, None]), 0, None)
    level = np.arcsinh(bright / top * 60) / np.arcsinh(60.0)
    return (np.clip(0.06 + 0.94 * level, 0, 1) * 255).astype(np.uint8).transpose(1, 2, 0)


def best_crop(truth: Float64) -> tuple[int, int]:
    """Corner of the crop that holds most bright stars, none of them alone too bright."""
    peaks = (truth == ndimage.maximum_filter(truth, 9)) & (truth > np.quantile(truth, 0.995)) & (truth < 3e4)
    number = ndimage.uniform_filter(peaks.astype(float), CROP)
    number[:CROP], number[-CROP:], number[:, :CROP], number[:, -CROP:] = 0, 0, 0, 0
    y, x = np.unravel_index(number.argmax(), number.shape)
    return int(y) - CROP // 2, int(x) - CROP // 2


def drawn(panels: dict[str, npt.NDArray[np.uint8]]) -> Image.Image:
    """Panels in a row, each with its name above."""
    side = CROP * ZOOM
    page = Image.new("RGB", (len(panels) * (side + GAP) + GAP, side + TEXT + 2 * GAP), (24, 24, 28))
    pen, font = ImageDraw.Draw(page), ImageFont.load_default(18)
    for k, (name, panel) in enumerate(panels.items()):
        left = GAP + k * (side + GAP)
        pen.text((left, GAP // 2), name, fill=(225, 225, 225), font=font)
        page.paste(
            Image.fromarray(panel).resize((side, side), Image.Resampling.NEAREST), (left, TEXT + GAP // 2)
        )
    return page


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--scale", type=float, default=2.9)
    given = parser.parse_args()
    scene = scene_of(given.frames, given.scale)
    with tempfile.TemporaryDirectory() as folder:
        nights = Path(folder) / "nights"
        simulate(scene, nights)
        stacks = {}
        for method in ("drizzle", "least-squares"):
            out = Path(folder) / method
            summary = run([nights], out, with_settings(Recipe(), [f"integrate.method={method}"]))
            with fits.open(out / "stack.fits") as stack:
                stacks[method] = np.array([stack[plane].data for plane in "RGB"], dtype=np.float64)
        gain = summary["noise"]["gain_e_per_adu"]
        still = next(f for f in summary["frames"] if f["rms_px"] is None)
        truth = np.array(list(expected(scene, Path(still["path"])).values()))
        cell = cfa.plane_map(summary["mosaic"]["pattern"])
        one = filled_in(
            (fits.getdata(still["path"]).astype(float) - summary["noise"]["pedestal_adu"]) * gain, cell
        )
        mean = averaged(summary, gain)
    y, x = best_crop(truth[1])
    part = np.s_[:, y : y + CROP, x : x + CROP]
    white = truth[part].sum(axis=(1, 2))
    white = white / white[1]
    top = float((truth[part] / white[:, None, None]).max())
    panels = {
        "one light, filled in": one,
        f"{given.frames} lights, filled in first": mean,
        "drops": stacks["drizzle"],
        "least squares": stacks["least-squares"],
        "the truth": truth,
    }
    drawn({name: shown(image[part], white, top) for name, image in panels.items()}).save(PAGE)


if __name__ == "__main__":
    main()
