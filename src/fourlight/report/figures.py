"""All figures of the evidence step, as files for a page and for a talk."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.engine import nothing
from fourlight.io.room import writing
from fourlight.report.animation import before_after, write_animation
from fourlight.report.contributions import scope_words
from fourlight.report.figure_pictures import loss_figure, planes_figure, without_channel
from fourlight.report.figure_resolution import resolution_figure
from fourlight.report.figure_shares import shares_figure
from fourlight.report.figure_style import LIGHT, NARROW, WIDE, Drawn, Look, write_figure

__all__ = ["figure_steps", "write_figures"]

Float32 = npt.NDArray[np.float32]
Facts = Mapping[str, Any]

TAKEN_AWAY = {"R": "red", "G": "green", "B": "blue"}


def write_figures(
    folder: Path,
    channels: Facts,
    planes: Mapping[str, Float32],
    scale_arcsec: float | None = None,
    look: Look = LIGHT,
    *,
    few: bool = False,
    told: Callable[[], None] = nothing,
) -> list[Path]:
    """Write the figures that ``channels.json`` and the planes of the stack give.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    channels : mapping
        Content of ``channels.json``; what is missing of ``shares`` and ``resolution`` is left out, ``balance`` makes
        the colours of pictures.
    planes : mapping of R, G1, G2, B to (ny, nx) float32
        Planes of the stack, NaN where undefined.
    scale_arcsec : float or None
        Of a pixel of the stack.
    look : Look
    few : bool
        Those of numbers alone, and none for telephones: pictures take ten times as long.
    told : callable
        Called after each figure.

    Returns
    -------
    list of Path
        ``resolution``, ``shares``, ``planes``, ``without-red`` and so on, each as png and svg, and with ``-narrow``
        for telephones (pictures as png alone); ``without-green.webp`` moves between both pictures.

    Raises
    ------
    OutputError
        They cannot be written.
    """
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
    paths: list[Path] = []
    for make in _makers(folder, channels, planes, scale_arcsec, look, few=few):
        paths += make()
        told()
    return paths


def figure_steps(channels: Facts) -> int:
    """How often `write_figures` tells how far it is, where it writes all of them."""
    return len(_makers(Path(), channels, {}, None, LIGHT, few=False))


def _makers(
    folder: Path, channels: Facts, planes: Mapping[str, Float32], scale_arcsec: float | None, look: Look, *, few: bool
) -> list[Callable[[], list[Path]]]:  # fmt: skip
    """What writes one file or two each, in order."""
    weights = (channels.get("balance") or {}).get("factors")
    numbers: dict[str, Callable[[int], Drawn]] = {}
    if channels.get("resolution"):
        numbers["resolution"] = lambda width: resolution_figure(
            channels["resolution"], scale_arcsec, width=width, look=look
        )
    if any(any(regions.values()) for regions in (channels.get("shares") or {}).values()):
        numbers["shares"] = lambda width: shares_figure(
            channels["shares"], note=scope_words(channels), width=width, look=look
        )
    if few:
        return [partial(_written, folder, name, make, WIDE) for name, make in numbers.items()]
    pictures: dict[str, Callable[[int], Drawn]] = {
        "planes": lambda width: planes_figure(planes, width=width, look=look)
    }
    pictures |= {
        f"without-{colour}": _loss(planes, channel, weights, look) for channel, colour in TAKEN_AWAY.items()
    }
    both = [(name, make, True) for name, make in numbers.items()]
    both += [(name, make, False) for name, make in pictures.items()]
    found = [
        partial(_written, folder, name, make, width, vector=vector or width == WIDE)
        for name, make, vector in both
        for width in (WIDE, NARROW)
    ]
    return [*found, partial(_animated, folder, planes, weights)]


def _loss(
    planes: Mapping[str, Float32], channel: str, weights: Mapping[str, float] | None, look: Look
) -> Callable[[int], Drawn]:
    return lambda width: loss_figure(planes, channel, weights=weights, width=width, look=look)


def _written(
    folder: Path, name: str, make: Callable[[int], Drawn], width: int, *, vector: bool = True
) -> list[Path]:
    """Files of a figure at one width."""
    return write_figure(folder, name if width == WIDE else f"{name}-narrow", make(width), vector=vector)


def _animated(folder: Path, planes: Mapping[str, Float32], weights: Mapping[str, float] | None) -> list[Path]:
    loss, path = without_channel(planes, "G", weights), folder / "without-green.webp"
    write_animation(path, before_after(loss.whole, loss.without, ("All channels", "Without green")))
    return [path]
