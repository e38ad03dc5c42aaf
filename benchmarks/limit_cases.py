"""The hard cases, each with what is wanted of it and what was measured."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import PLANES, Truth, blocks, noise
from astropy.io import fits
from limit_scenes import scene_of

from fourlight.errors import FourlightError
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene

__all__ = ["Line", "Made", "few", "made", "moon", "odd"]

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """One promise."""

    what: str
    wanted: str
    measured: str
    reached: bool | None = None


@dataclass(frozen=True)
class Made:
    """A finished run and the truth behind it."""

    out: Path
    summary: dict[str, Any]
    truth: Truth
    stack: fits.HDUList
    halves: fits.HDUList

    @property
    def method(self) -> str:
        """How the stack was made."""
        return str(self.summary["integration"]["method"])

    def plane(self, name: str) -> Float64:
        """A plane of the stack."""
        return np.asarray(self.stack[name].data, dtype=np.float64)


@contextmanager
def made(scene: Scene, *settings: str, folder: Path | None = None) -> Iterator[Made]:
    """Frames of a scene, and their run with settings; frames that ``folder`` holds are used again."""
    with tempfile.TemporaryDirectory() as work:
        nights, out = (folder or Path(work)) / "nights", Path(work) / "out"
        simulate(scene, nights)
        summary = run([nights], out, with_settings(Recipe(), settings))
        with fits.open(out / "stack.fits") as stack, fits.open(out / "halves.fits") as halves:
            yield Made(out, summary, Truth(nights, summary), stack, halves)


def honest(found: Made) -> dict[str, float]:
    """Extremes over the planes: noise over claimed of stack less truth and half less half; slope; beyond 4 sigma."""
    each = [noise(found.stack, found.halves, found.truth, plane, 8) for plane in PLANES]
    return {
        # noise of masters that both halves share drops out of their difference
        "least": float(np.nanmin([e["stack"] for e in each])),
        # half stacks of few lights may have holes in every block
        "most": float(np.nanmax([[e["stack"], e["halves"]] for e in each])),
        "slope": max((e["slope"] for e in each), key=lambda slope: abs(slope - 1)),
        "beyond": max(e["beyond"] for e in each),
        "blocks": each[0]["blocks"],
    }


def holes(found: Made) -> int:
    """Pixels that samples reach and that have no value, or a value and no variance, over all planes."""
    count = 0
    for plane in PLANES:
        there = found.plane(f"SAMPLES_{plane}") > 0
        value, variance = found.plane(plane), found.plane(f"VAR_{plane}")
        count += int((there & ~(np.isfinite(value) & (variance > 0))).sum())
    return count


def graceful(found: Made) -> str:
    """What is measured where the job is hard, in words."""
    figures = honest(found)
    return (
        f"{found.method}, {len(found.summary['frames'])} lights; noise over claimed {figures['least']:.2f}-"
        f"{figures['most']:.2f}; slope {figures['slope']:.3f}; {100 * figures['beyond']:.2f} % of "
        f"{figures['blocks']:.0f} blocks beyond 4 sigma; {holes(found)} holes"
    )


def is_graceful(found: Made) -> bool:
    """Whether claims hold within a tenth, light within two per cent, and nothing is missing."""
    figures = honest(found)
    sound = figures["least"] > 0.9 and figures["most"] < 1.1 and abs(figures["slope"] - 1) < 0.02
    return bool(sound and holes(found) == 0)


REFERENCE = "registration.reference=night1/light_0001.fits"
GRACE = "claims within 10 %, light within 2 %, no holes"


def few() -> Iterator[Line]:
    """One, two, three, five and ten lights."""
    try:
        with made(scene_of("count = 1")):
            yield Line("1 light", "one clear line", "made a stack", False)
    except FourlightError as error:
        yield Line("1 light", "one clear line", f"refused: {error}", len(str(error).splitlines()) == 1)
    for count in (2, 3, 5, 10):
        with made(scene_of(f"count = {count}", seed=41 + count)) as found:
            yield Line(f"{count} lights", GRACE, graceful(found), is_graceful(found))


def odd() -> Iterator[Line]:
    """Frames that do not lie on each other as they should."""
    scenes = {
        "20 lights, not dithered": scene_of("count = 20\ndither_px = 0.0", seed=51),
        "20 lights, a filter that passes Hα alone": scene_of(
            "count = 20", seed=52, stars=500, filters='name = "one line"\nbands_nm = [[656.3, 7.0]]'
        ),
        "two nights of 12 that overlap by half": scene_of(
            "count = 12", 'count = 12\noffset_x_px = 300.0\nstart_utc = "2031-08-16T23:30:00"', seed=53
        ),
        "a night of 10, another of 10 with pixels 1.5 times as large": scene_of(
            "count = 10", 'count = 10\nscale = 1.5\nstart_utc = "2031-08-16T23:30:00"', seed=54
        ),
    }
    for what, scene in scenes.items():
        # the truth is known where the first night looked
        with made(scene, REFERENCE if len(scene.nights) > 1 else "integrate.grid=1x") as found:
            yield Line(what, GRACE, graceful(found), is_graceful(found))


def clarity(found: Made) -> dict[str, float]:
    """Light of the object over the noise of 8 x 8 blocks, per plane: slope on the truth over the scatter, electrons.

    Stacks are compared on the grid of one light: electrons are those of the reference, and its rim has few lights.
    """
    out = {}
    for plane in PLANES:
        each = noise(found.stack, found.halves, found.truth, plane, 8)
        free = blocks(found.truth.dark.astype(float), 8) > 0.999
        claimed = np.sqrt(np.nanmean(blocks(found.plane(f"VAR_{plane}"), 8)[free])) / 8
        out[plane] = each["slope"] / (each["stack"] * claimed)
    return out


def best_gain(frames: list[dict[str, Any]], first: int) -> dict[str, float]:
    """Most that the frames behind the first ones can add to the SNR, by transparency and noise of each."""
    merit = {
        plane: np.array([(f["transparency"][plane] / f["noise"][plane]) ** 2 for f in frames])
        for plane in PLANES
    }
    return {plane: float(np.sqrt(each.sum() / each[:first].sum())) for plane, each in merit.items()}


def moon() -> Iterator[Line]:
    """A dark night, and the same with a night under the full Moon."""
    dark = "count = 16"
    lit = 'count = 16\nmoon_phase_deg = 0.0\nmoon_separation_deg = 70.0\nstart_utc = "2031-08-16T23:30:00"'
    with tempfile.TemporaryDirectory() as folder:
        first = "registration.reference=light_0001.fits"
        with made(scene_of(dark, seed=61), first, folder=Path(folder) / "one") as found:
            alone = clarity(found)
        with made(scene_of(dark, lit, seed=61), REFERENCE, folder=Path(folder) / "both") as found:
            frames = found.summary["frames"]
            both, best, sky = clarity(found), best_gain(frames, 16), [frame["sky"]["G1"] for frame in frames]
    gain = {plane: both[plane] / alone[plane] for plane in PLANES}
    words, most = (" / ".join(f"{each[plane]:.3f}" for plane in PLANES) for each in (gain, best))
    yield Line(
        f"16 dark lights and 16 under the full Moon (sky {max(sky) / min(sky):.1f} times as bright): SNR over that of "
        "the dark ones, R / G1 / G2 / B", ">= 1.05", f"{words} (at best {most})", min(gain.values()) >= 1.05,
    )  # fmt: skip
