"""A folder of results as something to look at and to work on. It knows nothing of who looks."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from fourlight.core.cfa import COLOURS
from fourlight.core.companding import NOISES
from fourlight.errors import FourlightError, InputError
from fourlight.pipeline.finished import check_results, check_there
from fourlight.pipeline.jobs import Jobs
from fourlight.pipeline.marked_lights import MarkedLights
from fourlight.pipeline.offers import Sources, offers, order_for, why_none
from fourlight.pipeline.products import read_json
from fourlight.pipeline.shown_planes import ShownPlanes
from fourlight.pipeline.shown_plans import ShownPlans

__all__ = ["SETS", "Project", "own_steps", "white_of"]

SETS = {
    "stack": ("stack.fits", ("R", "G", "B", "G1", "G2")),
    "lines": ("lines.fits", ("HALPHA", "OIII", "HBETA", "SII", "CONT")),
}
"""What can be looked at plane by plane: file, and planes in the order they are offered."""
PLANS = ("compare", "whatif")
"""Jobs that the view Plan asks for, by its forms."""


def own_steps(summary: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    """Level of the sky in the planes of a stack, and the noise of a pixel of each, where the run tells both."""
    planes = (summary.get("planes") or {}).items()
    return {
        name: {"sky": float(plane["sky"]), "step": float(plane["noise"])}
        for name, plane in planes
        if plane.get("sky") is not None and plane.get("noise")
    }


def white_of(summary: Mapping[str, Any]) -> dict[str, dict[str, float]] | None:
    """Level of the sky in R, G and B, and equal steps of white light from it, as the finished picture has white.

    The step is the noise of a pixel of G; None where the run made no picture, or knows no sky.

    >>> planes = {name: {"sky": 100.0, "noise": 6.0} for name in "RGB"}
    >>> colour = {"gains": [2.0, 1.0, 0.5]}
    >>> white_of({"planes": planes, "picture": {"honesty": {"colour": colour}}})["R"]
    {'sky': 100.0, 'step': 3.0}
    """
    planes = summary.get("planes") or {}
    honesty = (summary.get("picture") or {}).get("honesty") or {}
    gains = dict(zip(COLOURS, (honesty.get("colour") or {}).get("gains") or (), strict=False))
    known: dict[str, Any] = {name: (planes.get(name) or {}).get("sky") for name in gains}
    noise = (planes.get("G") or {}).get("noise")
    if len(known) < len(COLOURS) or None in known.values() or not noise:
        return None
    return {
        name: {"sky": float(sky), "step": float(noise * gains["G"] / gains[name])}
        for name, sky in known.items()
    }


class Project:
    """Results of a run, read when they are asked for and anew when they have changed; safe for several threads.

    Parameters
    ----------
    folder : Path
    sources : Sources, optional
        What jobs may read besides the results.

    Raises
    ------
    InputError
        The folder holds no results of a run, and no nights are named that could make some.
    """

    def __init__(self, folder: Path, sources: Sources | None = None) -> None:
        self.sources = sources or Sources()
        if not (self.sources.nights or self.sources.demo):
            check_results(folder)
        self.folder = folder.resolve()
        self.jobs = Jobs()
        self.lights = MarkedLights(self.folder)
        self.plans = ShownPlans(self.folder, self.sources.sites)
        self._lock = threading.Lock()
        self._shown: dict[str, tuple[tuple[int, int], ShownPlanes]] = {}

    @property
    def name(self) -> str:
        """What the project is called."""
        if self.sources.demo and not self.sets():
            return "Fourlight"
        return self.folder.name if self.folder.name != "results" else f"{self.folder.parent.name}/results"

    def summary(self) -> dict[str, Any]:
        """``summary.json`` of the run; empty before there is one."""
        summary: dict[str, Any] = read_json(self.folder / "summary.json") or {}
        return summary

    def sets(self) -> list[str]:
        """Which of `SETS` the run has."""
        return [name for name, (file, _) in SETS.items() if (self.folder / file).is_file()]

    def shown(self, name: str) -> ShownPlanes:
        """Planes of one of `SETS`.

        Raises
        ------
        InputError
            There is no such set, or its file cannot be read.
        """
        if name not in SETS:
            raise InputError(f"nothing is called {name!r}; there are {', '.join(SETS)}")
        file, planes = SETS[name]
        path = self.folder / file
        try:
            state = path.stat()
        except OSError:
            check_there(self.folder)
            raise InputError(f"{path}: is not there; make the run again") from None
        now = (state.st_size, state.st_mtime_ns)
        with self._lock:
            if name not in self._shown or self._shown[name][0] != now:
                self._shown[name] = (now, ShownPlanes(path, planes))
            return self._shown[name][1]

    def expect(self) -> None:
        """Begin to read the planes of the stack, while a browser still loads the page that will ask for them."""
        if "stack" in self.sets():
            threading.Thread(target=self._read_early, daemon=True).start()

    def _read_early(self) -> None:
        with suppress(FourlightError):  # whoever looks at the planes is told
            self.shown("stack").expect()

    def shown_facts(self, name: str) -> dict[str, Any]:
        """What a viewer must know of one of `SETS` before it asks for tiles; see `shown`."""
        facts = self.shown(name).facts()
        if name == "lines":  # they are light above the sky, which may be bright in most of the field
            own = {
                plane: {"sky": 0.0, "step": code["soft"] / NOISES} for plane, code in facts["codes"].items()
            }
            return {**facts, "own": own, "white": None}
        summary = self.summary()
        return {**facts, "own": own_steps(summary), "white": white_of(summary)}

    def facts(self) -> dict[str, Any]:
        """What a viewer must know first."""
        summary = self.summary()
        return {
            "name": self.name,
            "sets": [
                *self.sets(),
                *(["picture"] if (summary.get("picture") or {}).get("steps") else []),
                *(["start"] if self.sources.demo else []),
            ],
            "demo": str(self.sources.demo or ""),
        }

    def offers(self) -> tuple[list[dict[str, str]], str]:
        """Jobs that can be started now; and why there are none, empty where there are some."""
        found = [offer.told() for offer in offers(self.folder, self.sources)]
        return found, "" if found else why_none(self.folder)

    def start(self, kind: str, settings: Mapping[str, Any] | None = None) -> int:
        """Start one of the jobs that are offered, or of `PLANS`; its number.

        Raises
        ------
        InputError, RecipeError
            There is no such job now, another one is at work, or settings cannot be used.
        """
        if kind in PLANS:
            return self.jobs.start(self.plans.order(kind, settings or {}))
        return self.jobs.start(order_for(self.folder, self.sources, kind, settings))
