"""What is asked of lines, what they are made from, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame, StarList
from fourlight.sensor.filters import Beam, Filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Ratios
from fourlight.sensor.response import Response
from fourlight.stages.line_maps import LineMaps
from fourlight.stages.region_samples import StackReader

__all__ = ["Asked", "Found", "Source"]

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """What a user says of camera, filter and nebula."""

    camera: Response
    filter: Filter
    beam: Beam | None = None
    """Converging light in the filter; None: as recipe or header tell it, see `in_its_beam`."""
    ratios: Ratios = field(default_factory=Ratios)
    broadband: Path | None = None
    """OUT of a finished run of the same field without a narrow filter, by the same camera."""
    broadband_filter: Filter | None = None
    """None: as the headers of those lights have it, see `behind_its_filter`."""
    transmission: float | None = None
    """Share of light that passes air and optics, an obstruction counted; with it light is told in rayleighs."""
    beam_from: str = "--f-ratio"
    """Who tells the f-ratio."""
    broadband_beam: Beam | None = None
    broadband_filter_from: str = "--broadband-filter"
    """Who tells the filter of the second stack."""

    @property
    def path(self) -> LightPath:
        """Of the stack with the lines."""
        return LightPath(self.camera, self.filter, self.beam)

    @property
    def broadband_path(self) -> LightPath:
        """Of the stack that tells continuum."""
        assert self.broadband_filter is not None
        return LightPath(self.camera, self.broadband_filter, self.broadband_beam)


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A finished stack."""

    name: str
    layers: StackReader
    stars: StarList
    summary: dict[str, Any]
    reference: RawFrame | None
    """The light whose grid the stack has; None where it is gone."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Lines of a stack."""

    maps: LineMaps
    facts: dict[str, Any]
    """Content of ``lines.json``."""
    pictures: dict[str, Float32]
    """By palette, (ny, nx, 3), sRGB-encoded."""
    shown: LineMaps
    """Maps as a figure shows them, see `fourlight.pipeline.line_views.Views`; `maps` itself where both are alike."""
