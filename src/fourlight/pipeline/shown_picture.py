"""The finished picture as something to look at and to take along: its steps, its settings, its files."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.io.export import own_picture
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.products import read_json
from fourlight.pipeline.swap import RECORD
from fourlight.provenance import load
from fourlight.recipe_finish import LOOKS, Finish
from fourlight.report.step_views import STEPS_FOLDER, TITLES

__all__ = ["FILES", "picture_facts", "picture_file", "settings_now", "step_file"]

FILES = {
    "picture.jpg": "JPEG, 8 bits",
    "picture.png": "PNG, 16 bits",
    "picture.tif": "TIFF, 16 bits",
}
"""What can be taken along, and what it is."""


def picture_facts(out: Path) -> dict[str, Any]:
    """What a viewer must know of the picture in a folder of results.

    Raises
    ------
    InputError
        There is none, or it cannot be read.
    """
    picture = _told(out)
    jpeg = picture_file(out, "picture.jpg")
    state = jpeg.stat()
    try:
        with own_picture(jpeg) as image:  # reads its header alone
            nx, ny = image.size
    except OSError as error:
        raise InputError(f"{jpeg}: cannot be read ({error}); make the picture anew") from None
    return {
        "project": sha256(str(out.resolve()).encode()).hexdigest()[:16],
        "version": f"{state.st_size:x}-{state.st_mtime_ns:x}",
        "nx": nx,
        "ny": ny,
        "steps": [
            {
                "name": step["name"],
                "title": TITLES.get(step["name"], step["name"]),
                "notes": step["notes"],
                "seen": bool(step["file"]),
            }
            for step in picture["steps"]
        ],
        "files": [
            {"name": name, "kind": kind, "bytes": (out / name).stat().st_size}
            for name, kind in FILES.items()
            if (out / name).is_file()
        ],
        "settings": settings_now(out),
        "schema": Finish.model_json_schema(),
        "looks": {name: look.model_dump() for name, look in LOOKS.items()},
    }


def settings_now(out: Path) -> dict[str, Any]:
    """Settings of the picture that is there; of one that does not tell them, those of its run."""
    told = _told(out).get("settings")
    if told is None:
        return load(out / RECORD).recipe.finish.model_dump(mode="json")
    return dict(told)


def step_file(out: Path, name: str) -> Path:
    """The picture after one of its steps, as a JPEG file.

    Raises
    ------
    InputError
        There is no such step, or nothing was drawn of it.
    """
    files = {step["name"]: step["file"] for step in _told(out)["steps"] if step["file"]}
    if name not in files:
        raise InputError(f"no picture of a step {name[:40]!r}; there are {', '.join(files)}")
    return _there(out, out / STEPS_FOLDER / Path(files[name]).name)


def picture_file(out: Path, name: str) -> Path:
    """One of `FILES`.

    Raises
    ------
    InputError
        It is none of them, or is not there.
    """
    if name not in FILES:
        raise InputError(f"no file of the picture is called {name[:40]!r}; there are {', '.join(FILES)}")
    return _there(out, out / name)


def _told(out: Path) -> dict[str, Any]:
    """What ``summary.json`` tells of the picture."""
    check_there(out)
    picture = (read_json(out / "summary.json") or {}).get("picture") or {}
    if not picture.get("steps"):
        raise InputError(f"{out}: tells of no picture; make it anew")
    return dict(picture)


def _there(out: Path, path: Path) -> Path:
    """A file of the results; none that a link leads to elsewhere."""
    if not path.is_file() or not path.resolve().is_relative_to(out.resolve()):
        check_there(out)
        raise InputError(f"{path}: is not there; make the picture anew")
    return path
