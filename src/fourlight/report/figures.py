"""All figures of the evidence step, as files for a page and for a talk."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.io.room import writing
from fourlight.report.animation import before_after, write_animation
from fourlight.report.contributions import scope_words
from fourlight.report.figure_pictures import loss_figure, planes_figure, without_channel
from fourlight.report.figure_resolution import resolution_figure
from fourlight.report.figure_shares import shares_figure
from fourlight.report.figure_style import LIGHT, NARROW, WIDE, Drawn, Look, write_figure

__all__ = ["write_figures"]

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
    weights = (channels.get("balance") or {}).get("factors")
    makers: dict[str, Callable[[int], Drawn]] = {}
    if channels.get("resolution"):
        makers["resolution"] = lambda width: resolution_figure(
            channels["resolution"], scale_arcsec, width=width, look=look
        )
    if any(any(regions.values()) for regions in (channels.get("shares") or {}).values()):
        makers["shares"] = lambda width: shares_figure(
            channels["shares"], note=scope_words(channels), width=width, look=look
        )
    if few:
        return [path for name, make in makers.items() for path in write_figure(folder, name, make(WIDE))]
    paths = [path for name, make in makers.items() for path in _both(folder, name, make)]
    paths += _both(
        folder, "planes", lambda width: planes_figure(planes, width=width, look=look), pictures=True
    )
    for channel, colour in TAKEN_AWAY.items():
        paths += _both(folder, f"without-{colour}", _loss(planes, channel, weights, look), pictures=True)
    loss = without_channel(planes, "G", weights)
    paths.append(folder / "without-green.webp")
    write_animation(paths[-1], before_after(loss.whole, loss.without, ("All channels", "Without green")))
    return paths


def _loss(
    planes: Mapping[str, Float32], channel: str, weights: Mapping[str, float] | None, look: Look
) -> Callable[[int], Drawn]:
    return lambda width: loss_figure(planes, channel, weights=weights, width=width, look=look)


def _both(folder: Path, name: str, make: Callable[[int], Drawn], *, pictures: bool = False) -> list[Path]:
    """Files of a figure at both widths."""
    wide = write_figure(folder, name, make(WIDE))
    return [*wide, *write_figure(folder, f"{name}-narrow", make(NARROW), vector=not pictures)]
