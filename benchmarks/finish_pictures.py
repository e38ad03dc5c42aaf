"""Draw the crops of docs/finish.md: stacks before and after, beside the truth.

Usage: python benchmarks/finish_pictures.py [--seed N] [--keep DIR]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt
from finish import PAGE, richardson_lucy_of
from finish_sets import COLOURS, KINDS, Planes, Set, made
from finish_ways import smoothed, without_stars
from PIL import Image

from fourlight.core.gaps import fill_gaps
from fourlight.stages.sharpen import sharpen
from fourlight.stages.way import misfit

Float64 = npt.NDArray[np.float64]
Part = tuple[slice, slice]

ZOOM = 2


def shown(known: Set, planes: Planes, part: Part, bright: float) -> Float64:
    """(ny, nx, 3) of a part, 0 to 1, one curve for all pictures of a set."""
    channels = []
    for c in COLOURS:
        dark = float(np.nanquantile(known.starless[c], 0.02))
        noise = float(np.sqrt(np.nanmedian(known.variances[c])))
        top = float(np.nanquantile(known.starless[c], 0.995)) - dark
        light = fill_gaps(planes[c][part].copy()) - (dark - 2 * noise)
        channels.append(np.arcsinh(np.clip(light, 0, None) / top * bright) / np.arcsinh(1.3 * bright))
    return np.clip(np.stack(channels, axis=-1), 0, 1)


def drawn(name: str, known: Set, stages: list[Planes], part: Part, bright: float) -> None:
    """Pictures side by side, each pixel twice as wide."""
    row = [shown(known, planes, part, bright) for planes in stages]
    gap = np.ones((row[0].shape[0], 4, 3))
    wide = np.concatenate([piece for picture in row for piece in (picture, gap)][:-1], axis=1)
    image = Image.fromarray((255 * wide).round().astype(np.uint8))
    image = image.resize((ZOOM * image.width, ZOOM * image.height), Image.Resampling.NEAREST)
    image.save(PAGE.parent / "pictures" / f"finish-{name}.jpg", quality=90)


def main() -> None:
    """Draw all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--keep", type=Path)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:

        def known(number: int) -> Set:
            folder = (chosen.keep or Path(spare)) / f"{chosen.seed}-{number}"
            folder.mkdir(parents=True, exist_ok=True)
            return made(list(KINDS)[number], chosen.seed, folder)

        nebula = known(0)
        quiet = smoothed(nebula)
        part = (slice(250, 450), slice(300, 500))
        drawn("noise", nebula, [nebula.planes, quiet.planes, nebula.truth], part, 3)
        apart = without_stars(nebula)
        assert apart.starless is not None
        y0, _, x0, _ = apart.window
        part = (slice(60, 260), slice(660, 860))
        bare = dict(nebula.planes)
        for c, image in zip(COLOURS, apart.starless, strict=True):
            bare[c] = np.full_like(nebula.planes[c], np.nan)
            level = float(np.nanmedian(nebula.starless[c][y0:, x0:][: len(image), : image.shape[1]] - image))
            bare[c][y0 : y0 + len(image), x0 : x0 + image.shape[1]] = image + level
        drawn("stars", nebula, [nebula.planes, bare, nebula.starless], part, 3)
        fine = known(4)
        sharp = sharpen(
            fine.planes,
            fine.variances,
            fine.halves,
            fine.stars,
            full=fine.saturation,
            misfit=misfit(fine.method),
        )
        other = {c: richardson_lucy_of(fine, c, sharp.plan.profiles[c], 30) for c in COLOURS}
        part = (slice(300, 500), slice(420, 620))
        drawn("sharp", fine, [fine.planes, sharp.planes, other], part, 8)


if __name__ == "__main__":
    main()
