"""The lines that a scene holds, each by itself, on the grid of a stack; and the bound of what can be known of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import Truth

from fourlight.simulate.scene import Scene
from fourlight.simulate.truth import object_truth
from fourlight.simulate.world import build_world

__all__ = ["LineTruth", "bound"]

Float64 = npt.NDArray[np.float64]

DARK_MAG = 60.0
"""Of light that is left out, V magnitudes."""
WITHOUT: dict[str, dict[str, float]] = {"oiii": {"oiii_ratio": 0.0}, "sii": {"sii_ratio": 0.0}}
"""Settings of the object in which a line is missing."""
SAMPLES = (0.25, 0.5, 0.25)
"""Share of red, green and blue in the samples of a frame."""


class LineTruth(Truth):
    """What each line gave a mean sample of the mosaic in the reference light, electrons."""

    def __init__(self, folder: Path, summary: dict[str, Any]) -> None:
        super().__init__(folder, summary)
        self.scene = Scene.model_validate(json.loads((folder / "truth" / "truth.json").read_text())["scene"])
        lines = {"reflection_mag": DARK_MAG, "starlight_mag": DARK_MAG}
        all_lines = self._planes(lines)
        self._kinds = {
            name: {p: all_lines[p] - rest[p] for p in rest}
            for name, gone in WITHOUT.items()
            for rest in [self._planes(lines | gone)]
        }
        others = [self._kinds[name] for name in WITHOUT]
        self._kinds["halpha"] = {p: all_lines[p] - sum(each[p] for each in others) for p in all_lines}

    def _planes(self, changes: dict[str, float]) -> dict[str, npt.NDArray[np.float32]]:
        scene = self.scene.model_copy(update={"object": self.scene.object.model_copy(update=changes)})
        return object_truth(build_world(scene))

    def close(self) -> None:
        """Let go of the file of the truth."""
        self._hdus.close()

    def line(self, name: str) -> Float64:
        """Electrons of a mean sample (ny, nx) that a line gave in the reference light."""
        found = [self._on_stack(self._kinds[name][plane]) for plane in ("R", "G1", "B")]
        return np.asarray(np.tensordot(SAMPLES, np.array(found), axes=1))

    def _on_stack(self, plane: npt.NDArray[np.float32]) -> Float64:
        from scipy.ndimage import map_coordinates

        u, v = self._place
        area = abs(float(np.linalg.det(self.matrix[:, :2])))
        light = map_coordinates(plane.astype(float), [v, u], order=3, mode="nearest")
        return np.asarray(light * self.reference["transparency"] * area)


def bound(
    truth: Truth, summary: dict[str, Any], data: dict[str, Any], matrix: Float64, side: int = 1
) -> Float64:
    """Cramer-Rao bound (k, ny, nx) of the variance of each kind of light, of means over blocks, per pixel of a block.

    Every light adds the information of its samples, whose variance is that of light, sky, dark current, read noise and
    rounding as they were simulated. What a master dark is off is the same in all lights that the same samples of the
    sensor saw: where there are darks, lights have as much of that in common as their blocks overlap on the sensor.

    Parameters
    ----------
    truth : Truth
    summary : dict
        Of the run.
    data : dict
        Content of ``truth.json``.
    matrix : (3, k) float64
        Electrons of R, G, B per unit.
    side : int
        Of blocks, pixels; it matters where there are darks.
    """
    scene = data["scene"]
    camera, darks = scene["camera"], scene["calibration"]["darks"]
    still = (
        camera["dark_e_per_s"] * scene["exposure_s"]
        + camera["read_noise_e"] ** 2
        + camera["gain_e_per_adu"] ** 2 / 12
    )
    light = np.array(
        [truth.object(p) + truth.stars(p) * truth.reference["transparency"] for p in ("R", "G1", "B")]
    )
    share = np.array([truth.light(frame) for frame in summary["frames"]])
    sky = np.array(
        [truth.frames[str(Path(frame["path"]).resolve())]["sky_e"][:3] for frame in summary["frames"]]
    )
    known = np.zeros(light.shape)
    for s, level in zip(share, sky, strict=True):
        known += s**2 / (light * s + level[:, None, None] + still)
    if darks:
        known *= _left(light, share, sky, still, still / darks * _overlap(truth, summary, side))[
            :, None, None
        ]
    total = np.einsum("c,cyx,ci,cj->yxij", SAMPLES, known, matrix, matrix)
    return np.moveaxis(np.diagonal(np.linalg.inv(total), axis1=2, axis2=3), -1, 0)


def _overlap(truth: Truth, summary: dict[str, Any], side: int) -> Float64:
    """(n, n) part of a block that the same samples of the sensor saw in two lights."""
    middle = np.array([truth.shape[1] / 2, truth.shape[0] / 2, 1.0])
    place = np.array(
        [np.linalg.inv(_square(truth.matrix_of(frame)))[:2] @ middle for frame in summary["frames"]]
    )
    apart = np.abs(place[:, None] - place) / side
    return np.asarray(np.maximum(1.0 - apart, 0.0).prod(axis=2))


def _square(matrix: Float64) -> Float64:
    return np.vstack([matrix, [0.0, 0.0, 1.0]])


def _left(light: Float64, share: Float64, sky: Float64, still: float, common: Float64) -> Float64:
    """(3,) information over what it would be without noise that lights have in common, where light is as usual."""
    found = []
    for c in range(3):
        own = np.diag(np.median(light[c]) * share + sky[:, c] + still)
        found.append(share @ np.linalg.solve(own + common, share) / (share @ np.linalg.solve(own, share)))
    return np.array(found)
