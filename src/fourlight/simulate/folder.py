"""The folder that receives simulated frames: it must be new, empty, or hold the same scene."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from fourlight import __version__
from fourlight.errors import OutputError
from fourlight.io.room import whole, writing
from fourlight.json_text import json_of
from fourlight.simulate.scene import Scene

__all__ = ["claim", "finished", "missing", "record"]

RECORD = Path("truth", "made.json")
"""Written when all frames are: which scene, by which version, and the size of each frame."""


def claim(scene: Scene, out: Path) -> None:
    """Make the folder and leave a note in it that says what it is.

    Raises
    ------
    OutputError
        The folder holds something other than this scene, or cannot be used.
    """
    note, text = out / "README.txt", _note(scene)
    with writing(out):
        foreign = out.exists() and any(out.iterdir()) and not (note.is_file() and note.read_bytes() == text)
        if not foreign and not note.is_file():
            out.mkdir(parents=True, exist_ok=True)
            with whole(note) as part:
                part.write_bytes(text)
    if foreign:
        raise OutputError(f"{out}: holds something other than this scene; name a new or an empty folder")


def finished(scene: Scene, out: Path) -> bool:
    """Whether all frames of this very scene (its seed in it) were made here by this version and lie there whole.

    Raises
    ------
    OutputError
        A frame is not as long as it was made: somebody changed it, and it is not written again.
    """
    try:
        made = json_of((out / RECORD).read_text(encoding="utf-8"))
        frames = dict(made["frames"])
    except (OSError, ValueError, KeyError, TypeError):
        return False
    if (made.get("fourlight"), made.get("scene")) != (__version__, _mark(scene)):
        return False
    there = {name: size for name, size in frames.items() if (out / name).is_file()}
    for name, size in there.items():
        if (out / name).stat().st_size != size:
            raise OutputError(f"{out / name}: is not as it was simulated; name a new or an empty folder")
    return there.keys() == frames.keys() and bool(frames)


def missing(out: Path, names: Iterable[str]) -> list[str]:
    """Frames that are not there yet; those that are stay as they are, for each is written whole or not at all."""
    return [name for name in names if not (out / name).exists()]


def record(scene: Scene, out: Path, names: Iterable[str]) -> None:
    """Note that all frames are made."""
    frames = {name: (out / name).stat().st_size for name in names}
    with whole(out / RECORD) as part:
        text = json.dumps({"fourlight": __version__, "scene": _mark(scene), "frames": frames}, indent=1)
        part.write_text(text + "\n", encoding="utf-8")


def _mark(scene: Scene) -> str:
    return hashlib.sha256(scene.model_dump_json().encode()).hexdigest()


def _note(scene: Scene) -> bytes:
    return (
        f"Simulated frames of {scene.object.name}, an invented object. No telescope has seen it.\n\n"
        "night1/, night2/ ...    raw mosaic frames\n"
        "darks/, flats/, bias/   calibration frames, where the scene asks for them\n"
        "truth/truth.fits        what was put in: R, G1, G2, B without stars; *_STARS: stars alone;\n"
        "                        *_SHARP: without stars and without point spread;\n"
        "                        SENSITIVITY: what a perfect flat would show\n"
        "truth/truth.json        per frame: matrix to the truth grid, sky, transparency, widths, faults\n"
        "truth/stars.csv         positions and electrons of the stars\n"
        "truth/made.json         written last: all frames are there\n\n"
        f"fourlight {__version__}, scene {_mark(scene)}\n"
    ).encode()
