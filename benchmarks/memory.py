"""Memory and time of a run against the number of lights: 24 of a night's lights, then all 96."""

from __future__ import annotations

from pathlib import Path

from nights import FIRST_LIGHT, made
from processes import Cost, measured
from whole_job import FOURLIGHT

__all__ = ["compare"]


def compare(
    work: Path, few: int = 24, many: int = 96, megapixels: float = 3.0, calibration: int = 12
) -> dict[str, Cost]:
    """Costs of runs of ``few`` and of ``many`` lights, keyed by their number; the same calibration frames for both."""
    night = made(work, many, megapixels, calibration)
    lights = sorted((night / "night1").glob("*.fits"))
    others = [night / folder for folder in ("darks", "flats", "bias")]
    out = {}
    for count in (few, many):
        # Every fourth light, so that few and many lie alike.
        chosen = lights[:: len(lights) // count][:count]
        out[str(count)] = measured(
            [*FOURLIGHT, "run", *chosen, *others, "--out", work / f"memory-{count}",
             "--set", f"registration.reference={FIRST_LIGHT}"],
            work / f"memory-{count}.log",
        )  # fmt: skip
    return out
