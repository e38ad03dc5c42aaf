"""What a user's own lights would have given under a brighter sky, with fewer subs, or without a channel."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from fourlight import __version__
from fourlight.engine import Progress, Silent
from fourlight.errors import InputError, OutputError
from fourlight.io.room import whole, writing
from fourlight.io.scan import MARKER
from fourlight.pipeline.chosen_lights import used_anyway
from fourlight.pipeline.claim import MARK as OURS
from fourlight.pipeline.finished import Finished, StackFiles, finished_run, run_that_left
from fourlight.pipeline.folder import check_apart
from fourlight.pipeline.products import read_json
from fourlight.pipeline.run import run
from fourlight.pipeline.swap import RECORD
from fourlight.pipeline.whatif_facts import Setting, facts_of
from fourlight.pipeline.whatif_lights import FOLDER, NewLight, new_lights
from fourlight.pipeline.whatif_pages import write_results
from fourlight.pipeline.whatif_sky import Measured, Stated, light_to_add
from fourlight.pipeline.whatif_stacks import pair_of
from fourlight.provenance import Provenance
from fourlight.recipe import Recipe
from fourlight.recipe_lights import Lights
from fourlight.stages.canvas import Canvas
from fourlight.stages.whatif_sky import SkyWish
from fourlight.stages.whatif_subs import even_choice

__all__ = ["CHANNELS", "RUN", "Asked", "what_if"]

RUN = "run"
CHANNELS = ("R", "G", "B", "G1", "G2")
SEED = 20


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for."""

    sky: SkyWish = field(default_factory=SkyWish)
    subs: int | None = None
    without: str | None = None
    """Channel that is left out."""
    stated: Stated = field(default_factory=Stated)
    seed: int = SEED

    def check(self) -> None:
        """Refuse what says nothing, or names no channel.

        Raises
        ------
        InputError
        """
        if self.without is not None and self.without not in CHANNELS:
            raise InputError(f"--drop-channel {self.without}: needed is one of {', '.join(CHANNELS)}")
        if not self.sky.any and self.subs is None and self.without is None:
            raise InputError(
                "nothing is asked for; give one or more of --sky, --moon, --subs and --drop-channel"
            )


def what_if(out: Path, target: Path, asked: Asked, progress: Progress | None = None) -> dict[str, Any]:
    """Make the lights, the stack and the comparison; what ``whatif.json`` tells.

    Parameters
    ----------
    out : Path
        Folder of a finished run; nothing of it is changed.
    target : Path
        New or empty folder, or one of the same kind, for all that is made.
    asked : Asked
    progress : Progress or None

    Raises
    ------
    InputError, OutputError
        There is no finished run, what is asked for cannot be had from it, or the folder cannot be used.
    StageError
        The new lights make no stack.
    """
    asked.check()
    target = Path(os.path.abspath(target))  # as run names what it finds: lights are taken by their paths
    progress = progress or Silent()
    past = _run_in(out)
    _check_target(target, out, past)
    _check_subs(out, asked)
    with finished_run(out, progress) as found:
        summary = read_json(found.job.folder.root / "summary.json")
        chosen = _chosen(found, asked)
        measured = light_to_add(found, summary, asked.sky, asked.stated) if asked.sky.any else None
        new = _new_lights(found, past, measured, chosen, target, asked.seed) if measured else []
        anew = bool(new) or len(chosen) < len(found.frames)
        _claim(target, {FOLDER: bool(new), RUN: anew})
        if new:
            new_lights(found, new)
        after = summary
        layers: StackFiles | None = None
        if anew:
            after = _run_anew(found, past, chosen, new, target, progress)
            layers = StackFiles(target / RUN, _canvas(found))
        renamed = {str(light.path): str(light.frame.path) for light in new}
        pair = pair_of(found, summary, layers, after, renamed, asked.without)
        setting = Setting(
            str(out), asked.sky, asked.subs, asked.without, RUN if layers else None, new, chosen
        )
        facts = facts_of(setting, pair, measured, summary, after)
        progress.begin("comparison", 1)
        write_results(target, facts, pair)
        progress.end(f"{target / 'whatif.html'}")
    return facts


def _canvas(found: Finished) -> Canvas:
    """Where arrays of the other stack are kept while they are looked at."""
    job = found.job
    return Canvas(job.folder.layers, job.recipe.run.memory_gb * 1e9, job.threads)


def _run_in(out: Path) -> Provenance:
    if not (out / MARKER).exists() or not (out / RECORD).exists():
        if not out.exists():
            raise InputError(f"{out}: no such folder; name the OUT of a finished run")
        raise InputError(
            f"{out}: is no finished run, which tells gain, level and sky of its lights; make one first (fourlight run "
            f"NIGHTS --out OUT), then ask fourlight whatif OUT"
        )
    return run_that_left(out)


def _check_target(target: Path, out: Path, past: Provenance) -> None:
    """Refuse a folder that is not ours, or lies where nothing of this must be written."""
    real, one = Path(os.path.realpath(target)), Path(os.path.realpath(out))
    if real == one or one in real.parents or real in one.parents:
        raise OutputError(
            f"{target}: is, holds or lies in the folder of the run; name another one with --out"
        )
    check_apart(target, [*past.searched, *past.inputs])
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target}: is a file; name a folder for the results")
    ours = (target / MARKER).exists() and not (target / RECORD).exists()
    if target.exists() and any(target.iterdir()) and not ours:
        raise OutputError(f"{target}: holds something else; name a new or empty folder with --out")


def _check_subs(out: Path, asked: Asked) -> None:
    """Refuse more lights than the stack has before any of them is looked at again."""
    used = (read_json(out / "summary.json") or {}).get("frames")
    if used and asked.subs is not None:
        even_choice(len(used), asked.subs, asked.seed)


def _claim(target: Path, wanted: Mapping[str, bool]) -> None:
    """Make the folder, marked so that no search takes what lies in it for frames of a camera.

    What an earlier what-if left there and this one does not have, by name of its folder, goes.
    """
    with writing(target):
        target.mkdir(parents=True, exist_ok=True)
    if not (target / MARKER).exists():
        with whole(target / MARKER) as part:
            part.write_text(OURS, encoding="utf-8")
    for name in (name for name, keep in wanted.items() if not keep):
        shutil.rmtree(target / name, ignore_errors=True)


def _chosen(found: Finished, asked: Asked) -> list[int]:
    """Rows of the lights that go into the new stack, in order of time."""
    every = len(found.frames)
    return list(range(every)) if asked.subs is None else even_choice(every, asked.subs, asked.seed)


def _new_lights(
    found: Finished, past: Provenance, measured: Measured, chosen: Sequence[int], target: Path, seed: int
) -> list[NewLight]:
    """Lights that get light, each with numbers of chance of its own, which its content and the seed give."""
    out = []
    for row in chosen:
        if not measured.added.changed[row]:
            continue
        frame, electrons = found.frames[row].measured.raw, measured.added.electrons[row]
        noise = found.calibration.noise_of(frame)
        text = repr([__version__, past.inputs[frame.path], electrons.tolist(), asdict(noise), seed])
        mark = hashlib.sha256((text + repr(found.calibration.facts(frame))).encode()).hexdigest()[:8]
        stem = frame.path.name.split(".")[0]
        path = target / FOLDER / f"{row + 1:04d}_{stem}_{mark}.fits"
        digits = hashlib.sha256(f"{past.inputs[frame.path]} {seed}".encode()).hexdigest()[:16]
        out.append(NewLight(row, frame, electrons, path, int(digits, 16)))
    return out


def _run_anew(
    found: Finished, past: Provenance, chosen: Sequence[int], new: Sequence[NewLight], target: Path,
    progress: Progress,
) -> dict[str, Any]:  # fmt: skip
    """The same run on the new lights and those that stay, with the calibration frames of the old one."""
    place = target / FOLDER
    keep = {light.path for light in new}
    for old in place.glob("*.fits") if place.is_dir() else ():
        if old not in keep:
            old.unlink()
    replaced = {light.row: light.path for light in new}
    lights = {replaced.get(row, found.frames[row].measured.raw.path) for row in chosen}
    unused = {frame.measured.raw.path for frame in found.frames} | {item.path for item in past.set_aside}
    only = lights | (past.inputs.keys() - unused)
    recipe = _recipe(found, past.recipe, chosen, replaced)
    searched = [*([place] if new else []), *past.searched]
    said = [
        f"Light was added by calculation to {len(new)} of {len(lights)} lights: this is a what-if, not a night."
    ] if new else []  # fmt: skip
    return run(searched, target / RUN, recipe, progress, only, remarks=said)


def _recipe(found: Finished, recipe: Recipe, chosen: Sequence[int], replaced: Mapping[int, Path]) -> Recipe:
    """That of the run, with its reference where it is among the lights, and its gain where lights told it."""
    paths = [frame.measured.raw.path for frame in found.frames]
    row = paths.index(found.reference.raw.path)
    reference = str(replaced.get(row, paths[row])) if row in chosen else ""
    changed = {"registration": recipe.registration.model_copy(update={"reference": reference})}
    noises = [found.calibration.noise_of(frame.measured.raw) for frame in found.frames]
    first = noises[0]
    if first.gain_source == "lights" and all(noise == first for noise in noises):
        # what lights tell of the gain scatters: another value would pass for a change of the sky
        told = {"gain_e_per_adu": first.gain_e_per_adu, "read_noise_e": first.read_noise_e}
        changed["read"] = recipe.read.model_copy(update=told)  # type: ignore[assignment]
    anyway = used_anyway(recipe)
    use = tuple(str(replaced.get(k, paths[k])) for k in chosen if paths[k] in anyway)
    changed["lights"] = Lights(use=use)  # type: ignore[assignment]
    return recipe.model_copy(update=changed)
