"""The picture of a running stack: a copy to look at while it grows, and all files of it when the night ends."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.engine import Crew, Silent
from fourlight.errors import FourlightError
from fourlight.frames import StarList
from fourlight.io.export import jpeg_bytes, shallow
from fourlight.io.room import whole, writing
from fourlight.pipeline import outputs
from fourlight.pipeline.cache import digest
from fourlight.pipeline.layers import StackLayers, integrate_tiles
from fourlight.pipeline.live_stack import LiveStack
from fourlight.pipeline.picture import pictured, write_picture
from fourlight.pipeline.star_table import STARS, write_stars
from fourlight.pipeline.swap import publish
from fourlight.report.step_views import StepViews
from fourlight.stages.canvas import Canvas
from fourlight.stages.framing import framed
from fourlight.stages.live_snr import Target, target_in
from fourlight.stages.picture_parts import Picture

__all__ = ["PICTURE", "Shown", "final", "shown", "write_shown"]

PICTURE = "picture.jpg"


@dataclass(frozen=True, slots=True)
class Shown:
    """The stack at one moment."""

    layers: StackLayers
    stars: StarList
    target: Target | None
    noise_ratio: float
    """Noise between the halves over that claimed; NaN where not known."""
    picture: Picture | None
    """None where there is nothing yet that a picture could be made of."""
    views: StepViews | None
    why: str
    """Why there is no picture; empty where there is one."""


def shown(stack: LiveStack, rows: Sequence[Mapping[str, Any]]) -> Shown:
    """Layers, target and picture of the stack after these subs."""
    sums, ground, job = stack.sums, stack.ground, stack.job
    assert sums is not None
    assert ground is not None
    crew, folder = Crew(stack.threads), job.folder.layers
    # Layers of an earlier watch may lie there, of as many subs and yet of others.
    lights = [row["sha256"] for row in rows if row["status"] == "used"]
    key = digest("watch", lights, sums.used.tolist(), sums.rejected.tolist())
    layers = integrate_tiles(sums.planes, sums.tiles, sums.shape, folder, key, crew, Silent())
    layers.rejected[:], layers.used[:] = sums.rejected, sums.used
    stars = stack.grid.stars(ground.reference.stars)
    full = np.array([each.full for each in ground.sampling]).min() / stack.grid.zoom**2
    target, ratio = target_in(layers.read, stars, np.full(4, full))
    picture, views, why = None, None, ""
    try:
        canvas = Canvas(folder, job.recipe.run.memory_gb * 1e9, job.threads)
        facts = {"integration": {"method": "drizzle"}}
        picture, views = pictured(layers, stars, facts, job.recipe.finish, canvas)
    except FourlightError as error:  # of one sub alone there are no halves
        why = str(error)
    return Shown(layers, stars, target, ratio, picture, views, why)


def write_shown(made: Shown, stack: LiveStack) -> None:
    """Write the copy to look at."""
    if made.picture is None:
        return
    finish = stack.job.recipe.finish
    framing, _ = framed(made.picture.window, finish.frame.crop, None, north_up=False)
    rgb = framing.part(made.picture.window, made.picture.rgb)
    with whole(stack.job.folder.root / PICTURE) as part:
        part.write_bytes(jpeg_bytes(shallow(rgb), finish.files.jpeg_quality))


def final(made: Shown, stack: LiveStack, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write all files of the picture, the stack and its halves, and put them in their places together."""
    folder, recipe = stack.job.folder, stack.job.recipe
    place = folder.new
    with writing(place):
        place.mkdir()
    summary = facts(stack, rows)
    if made.picture is not None and made.views is not None:
        write_picture(place, made.picture, made.views, recipe.finish, stack.job.threads, summary)
    outputs.write_stack(place / "stack.fits", made.layers, summary)
    outputs.write_halves(place / "halves.fits", made.layers, summary)
    write_stars(place / STARS, made.stars)
    publish(place, folder.root, folder.old)


def facts(stack: LiveStack, rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What the headers of a stack tell, as ``summary.json`` of a run has it."""
    ground, sums = stack.ground, stack.sums
    assert ground is not None
    assert sums is not None
    noise, used = ground.calibration.noise, [row for row in rows if row["status"] == "used"]
    raw = ground.reference.raw
    return {
        "fourlight": __version__,
        "unit": noise.unit,
        "object": raw.object_name,
        "grid": {
            "ny": sums.shape[0], "nx": sums.shape[1], "reference": os.fsdecode(raw.path.name), "zoom": sums.zoom,
        },
        "mosaic": {"pattern": ground.mosaic.pattern},
        "noise": {"gain_e_per_adu": noise.gain_e_per_adu, "read_noise_e": noise.read_noise_e},
        "integration": {
            "method": "drizzle", "pixfrac": sums.pixfrac,
            "total_exposure_s": float(sum(row["exposure_s"] or 0.0 for row in used)),
        },
        "frames": [{"time": row["time"]} for row in used],
    }  # fmt: skip
