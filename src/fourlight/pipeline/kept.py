"""What a run keeps of its lights: how they were read, placed and weighed, and, where asked for, their sums.

With it the samples of the lights can be looked at again; with the sums, lights can be added to the stack.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.frames import NoiseModel, RawFrame, SetAside
from fourlight.io.room import whole, writing
from fourlight.json_text import json_of
from fourlight.pipeline.cache import digest
from fourlight.pipeline.kinds import Kind
from fourlight.pipeline.known import Known
from fourlight.recipe import Recipe
from fourlight.stages.calibration import Calibration, Plan
from fourlight.stages.geometry import ROWS, FrameTable, Tile
from fourlight.stages.masters import Master, OpenSource
from fourlight.stages.mosaic import MosaicDecision
from fourlight.stages.tile_sums import sums_file
from fourlight.stages.way import Way

__all__ = [
    "Kept",
    "are_kept",
    "begin_facts",
    "begin_sums",
    "calibration_facts",
    "calibration_from",
    "finish_sums",
    "inputs_key",
    "replace_sums",
    "settings_key",
]

FACTS, TABLE, NOTE = "kept.json", "table.npz", "key"
"""Files beside the sums of tiles."""

ARRAYS = (*ROWS, "terms", "level", "fwhm_px", "stars", "full")
"""Of the table."""

LAYOUT = 4
"""Of all these files; raised where those kept before can no longer be read or added to."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Everything about the lights of a stack."""

    key: str
    """From `settings_key`."""
    inputs: str
    """From `inputs_key`."""
    lights: tuple[Path, ...]
    """In the order of the table."""
    files: dict[Path, Known]
    """Lights and calibration frames."""
    reference: Path
    kinds: tuple[tuple[str, tuple[Path, ...], MosaicDecision], ...]
    """Name, lights and mosaic of each kind."""
    calibration: Calibration
    way: Way
    tiles: tuple[Tile, ...]
    table: FrameTable
    summed: bool
    """Whether the sums of the tiles are kept too."""

    def save(self, folder: Path) -> None:
        """Write to a folder, that of the sums of tiles; the facts come last, so that they stand for all of it."""
        held = self.tiles if self.summed else ()
        facts = {
            "key": self.key,
            "inputs": self.inputs,
            "lights": [str(path) for path in self.lights],
            "files": {str(path): asdict(known) for path, known in self.files.items()},
            "reference": str(self.reference),
            "kinds": [[name, [str(p) for p in paths], asdict(found)] for name, paths, found in self.kinds],
            "calibration": calibration_facts(self.calibration),
            "way": asdict(self.way),
            "tiles": [asdict(tile) for tile in self.tiles],
            "summed": self.summed,
            "bytes": [sums_file(folder, tile).stat().st_size for tile in held],
            "shape": list(self.table.shape),
            "zoom": self.table.zoom,
        }
        with whole(folder / TABLE) as part, part.open("wb") as stream:
            np.savez(stream, **{name: getattr(self.table, name) for name in ARRAYS})
        with whole(folder / FACTS) as part:
            part.write_text(json.dumps(facts), encoding="utf-8")

    @classmethod
    def load(cls, folder: Path, masters: Path, open_source: OpenSource) -> Kept | None:
        """What `save` wrote; None where it is not there in full, or is of another version."""
        try:
            facts = json_of((folder / FACTS).read_text(encoding="utf-8"))
            with (folder / TABLE).open("rb") as stream, np.load(stream, allow_pickle=False) as data:
                arrays = {name: data[name] for name in ARRAYS}
            table = FrameTable(**arrays, shape=tuple(facts["shape"]), zoom=facts["zoom"])
            tiles = tuple(Tile(**tile) for tile in facts["tiles"])
            held = tiles if facts["summed"] else ()
            if [sums_file(folder, tile).stat().st_size for tile in held] != facts["bytes"]:
                return None
            return cls(
                facts["key"],
                facts["inputs"],
                tuple(Path(path) for path in facts["lights"]),
                {Path(path): _known(known) for path, known in facts["files"].items()},
                Path(facts["reference"]),
                tuple(
                    (name, tuple(Path(p) for p in paths), MosaicDecision(**found))
                    for name, paths, found in facts["kinds"]
                ),
                calibration_from(facts["calibration"], masters, open_source),
                Way(**facts["way"]),
                tiles,
                table,
                facts["summed"],
            )
        except Exception:  # only a short cut: whatever is wrong with it, all lights are integrated again
            return None

    def parts(self, lights: Sequence[RawFrame]) -> list[Kind]:
        """Its kinds of lights, as far as they are among these; without kinds of which none is."""
        there = {frame.path: frame for frame in lights}
        parts = [
            Kind(name, [there[path] for path in paths if path in there], [], found)
            for name, paths, found in self.kinds
        ]
        return [part for part in parts if part.lights]


def settings_key(recipe: Recipe) -> str:
    """Hash of the program, the layout of what it keeps, and all settings that shape the sums."""
    sections = (recipe.read, recipe.calibrate, recipe.measure, recipe.registration, recipe.integrate)
    return digest(__version__, LAYOUT, *(section.model_dump() for section in sections))


def inputs_key(hashes: Mapping[Path, str]) -> str:
    """Hash of all files that a run has read, as its record names them."""
    return digest(sorted((str(path), sha256) for path, sha256 in hashes.items()))


def begin_facts(folder: Path) -> None:
    """Make the folder for what is known of a stack whose sums are not kept."""
    with writing(folder):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()


def begin_sums(folder: Path, key: str, done: Path | None = None) -> None:
    """Make the folder for the sums of a run, empty unless a run with the same key has begun to fill it.

    ``done`` is where a run with the same key that came to its end has put them; None where they are added to.
    """
    with writing(folder):
        if _key(folder) == key:
            return
        shutil.rmtree(folder, ignore_errors=True)
        if done is not None and _key(done) == key:
            done.rename(folder)
            return
        folder.mkdir()
        (folder / NOTE).write_text(key, encoding="utf-8")


def _key(folder: Path) -> str:
    """Of the run that filled a folder of sums; empty where none did."""
    note = folder / NOTE
    return note.read_text(encoding="utf-8") if note.exists() else ""


def are_kept(folder: Path) -> bool:
    """Whether what is known of a stack is there, to be read or not."""
    return (folder / FACTS).exists()


def finish_sums(new: Path, folder: Path) -> None:
    """Put sums in their place that a run left complete, but was ended before it did so itself."""
    if are_kept(new):
        replace_sums(new, folder)


def replace_sums(new: Path, folder: Path) -> None:
    """Put the sums of a finished run in the place of those before."""
    with writing(folder):
        shutil.rmtree(folder, ignore_errors=True)
        new.rename(folder)


def _known(facts: Mapping[str, Any]) -> Known:
    rows = tuple((int(a), int(b)) for a, b in facts["blank_rows"])
    return Known(facts["size"], facts["mtime_ns"], facts["sha256"], rows, tuple(facts["problems"]))


def calibration_facts(calibration: Calibration) -> dict[str, Any]:
    """A calibration as plain data; masters by their names."""
    noises = list(dict.fromkeys(plan.noise for plan in calibration.plans.values()))
    return {
        "noise": [asdict(noise) for noise in [calibration.noise, *noises]],
        "notes": calibration.notes,
        "remarks": calibration.remarks,
        "odd": {str(path): why for path, why in calibration.odd.items()},
        "set_aside": [[str(item.path), item.stage, item.reason] for item in calibration.set_aside],
        "description": calibration.description,
        "frames": {str(path): fit for path, fit in calibration.frames.items()},
        "masters": [_master(master) for master in calibration.masters],
        "plans": [
            [str(path), hdu, _master(plan.offset), _master(plan.factor), plan.saturation,
             1 + noises.index(plan.noise), plan.pattern, plan.masters]
            for (path, hdu), plan in calibration.plans.items()
        ],
    }  # fmt: skip


def calibration_from(facts: Mapping[str, Any], masters: Path, open_source: OpenSource) -> Calibration:
    """What `calibration_facts` told of; ``masters`` is the folder that they are in."""
    noises = [NoiseModel(**noise) for noise in facts["noise"]]
    plans = {
        (Path(path), hdu): Plan(
            _number_or_master(offset, masters), _number_or_master(factor, masters), saturation,
            noises[noise], pattern, behind,
        )
        for path, hdu, offset, factor, saturation, noise, pattern, behind in facts["plans"]
    }  # fmt: skip
    held = [_number_or_master(master, masters) for master in facts["masters"]]
    return Calibration(
        noises[0],
        tuple(facts["notes"]),
        tuple(facts["remarks"]),
        {Path(path): why for path, why in facts["odd"].items()},
        tuple(SetAside(Path(path), stage, reason) for path, stage, reason in facts["set_aside"]),
        facts["description"],
        {Path(path): (role, used) for path, (role, used) in facts["frames"].items()},
        plans,
        open_source,
        tuple(master for master in held if isinstance(master, Master)),
    )


def _master(value: Master | float) -> float | list[Any]:
    return [value.path.name, value.frames, value.variance] if isinstance(value, Master) else value


def _number_or_master(value: float | list[Any], folder: Path) -> Master | float:
    if not isinstance(value, list):
        return value
    name, frames, variance = value
    master = Master(folder / name, frames, tuple(variance))
    if not all(file.exists() for file in master.files):
        raise FileNotFoundError(name)
    return master
