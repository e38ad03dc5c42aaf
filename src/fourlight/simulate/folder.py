"""The folder that receives simulated frames: it must be new, empty, or hold the same scene."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fourlight import __version__
from fourlight.errors import OutputError
from fourlight.io.room import whole, writing
from fourlight.simulate.scene import Scene

__all__ = ["claim"]


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
        if not foreign:
            out.mkdir(parents=True, exist_ok=True)
            with whole(note) as part:
                part.write_bytes(text)
    if foreign:
        raise OutputError(f"{out}: holds something other than this scene; name a new or an empty folder")


def _note(scene: Scene) -> bytes:
    mark = hashlib.sha256(scene.model_dump_json().encode()).hexdigest()
    return (
        f"Simulated frames of {scene.object.name}, an invented object. No telescope has seen it.\n\n"
        "night1/, night2/ ...    raw mosaic frames\n"
        "darks/, flats/, bias/   calibration frames, where the scene asks for them\n"
        "truth/truth.fits        what was put in: R, G1, G2, B without stars; *_STARS: stars alone;\n"
        "                        *_SHARP: without stars and without point spread;\n"
        "                        SENSITIVITY: what a perfect flat would show\n"
        "truth/truth.json        per frame: matrix to the truth grid, sky, transparency, widths, faults\n"
        "truth/stars.csv         positions and electrons of the stars\n\n"
        f"fourlight {__version__}, scene {mark}\n"
    ).encode()
