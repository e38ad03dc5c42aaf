"""The frozen types that the stages hand on: raw -> measured -> registered -> stack.

Arrays are indexed ``[y, x]``; positions are ``x, y`` in pixels of the raw frame with whole numbers at pixel
centres. Four-vectors follow `fourlight.core.cfa.PLANES` (R, G1, G2, B).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import IntFlag, StrEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core import bends, maps

__all__ = [
    "FrameFlag",
    "MeasuredFrame",
    "NoiseModel",
    "RawFrame",
    "RegisteredFrame",
    "Role",
    "SetAside",
    "StarList",
]

FloatArray = npt.NDArray[np.float64]


class Role(StrEnum):
    """What a raw frame is for."""

    LIGHT = "light"
    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"
    DARKFLAT = "darkflat"


class FrameFlag(IntFlag):
    """Partial trouble of a frame that is still used."""

    NONE = 0
    CLOUD = 1
    TRAILED = 2
    DEFOCUSED = 4
    FEW_STARS = 8
    BRIGHT_SKY = 16
    NO_DATE = 32
    IN_PART = 64


@dataclass(frozen=True, slots=True)
class RawFrame:
    """One raw frame on disk and what its header (or its folder, or its pixels) say of it.

    Facts that are not known are None. ``problems`` are sentences for the user.
    """

    path: Path
    hdu: int
    """Index of the FITS extension that holds the image; 0 for camera raw."""
    ny: int
    nx: int
    role: Role
    role_source: str
    """'header', 'folder', 'file name' or 'pixels'."""
    mosaic: str | None = None
    """Pattern in array order, offsets and row order applied; None if nothing is said."""
    mosaic_source: str = "none"
    """Which header card(s) said so, such as ``BAYERPAT``; 'none'."""
    exposure_s: float | None = None
    gain_setting: float | None = None
    """The camera's gain (or ISO) setting, a label to match frames by; not electrons per ADU."""
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    offset_setting: float | None = None
    temperature_c: float | None = None
    filter_name: str | None = None
    time: datetime | None = None
    """Start of the exposure, UTC, timezone-aware."""
    zone_known: bool = True
    """Whether `time` is surely UTC: without a word on its zone a clock is read as UTC, and may be off by hours."""
    night: str | None = None
    """Civil date (ISO) of the local noon before the exposure."""
    binning: int = 1
    pixel_um: float | None = None
    focal_mm: float | None = None
    aperture_mm: float | None = None
    """Clear diameter of the optics."""
    ra_deg: float | None = None
    dec_deg: float | None = None
    object_name: str | None = None
    camera: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    black_adu: float | None = None
    """Pedestal that the file itself declares (camera raw black level, PEDESTAL card)."""
    saturation_adu: float | None = None
    """Level at which the file says, or its number type implies, that a sample is full."""
    unread: tuple[tuple[str, str], ...] = ()
    """Facts that a card states in a way that cannot be read: name of the field, and what stands there."""
    problems: tuple[str, ...] = ()
    blank_rows: tuple[tuple[int, int], ...] = ()
    """First row and row after the last of every block whose samples count as undefined: a cut transfer's."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """A frame that is not used, and why."""

    path: Path
    stage: str
    reason: str
    role: Role | None = None
    """What it is for, where it could not be used from the start but says so."""
    state: tuple[int, int] | None = None
    """Size and time of the last change (ns) of the file, as far as a record keeps them."""


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Gain and read noise with where they come from.

    ``gain_e_per_adu`` and ``read_noise_e`` are None where nothing fixes them; sources are one of 'recipe',
    'camera profile', 'flats and bias', 'lights', 'header', 'assumed', 'unknown'.
    """

    gain_e_per_adu: float | None
    gain_source: str
    read_noise_e: float | None
    read_noise_source: str
    pedestal_adu: float | None
    """Level of no light; None where neither bias, dark nor file say it, nor the lights give a guess."""
    pedestal_source: str
    unit: str = "electron"
    """'electron' or 'adu': unit of calibrated samples."""
    gain_error: float | None = None
    """One sigma, where the gain was measured; None where it comes from recipe or header."""
    read_noise_error: float | None = None
    step_adu: float = 0.0
    """Step of the digitiser; 0 where samples are not whole numbers."""

    @property
    def pedestal_known(self) -> bool:
        """Whether the level of no light is known well enough to tell how much light a sky has.

        What the lights give is not: it is off by as much as a tenth of the sky, alike in all colours.
        """
        return self.pedestal_adu is not None and self.pedestal_source != "lights"

    @property
    def step(self) -> float:
        """Step of the digitiser in the unit of calibrated samples."""
        return self.step_adu * self.scale

    @property
    def scale(self) -> float:
        """Factor from ADU to the unit of calibrated samples."""
        return self.gain_e_per_adu if self.unit == "electron" and self.gain_e_per_adu else 1.0


@dataclass(frozen=True, slots=True)
class StarList:
    """Stars of one frame, brightest first; all arrays share their first axis."""

    x: FloatArray
    y: FloatArray
    flux: FloatArray
    """(n, 4) fitted flux per plane, calibrated units."""
    flux_error: FloatArray
    """(n, 4) one sigma."""
    fwhm_px: FloatArray
    elongation: FloatArray
    """Major over minor axis, >= 1."""
    saturated: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.x)

    @property
    def usual_fwhm_px(self) -> float:
        """Median width, held between 1 and 30 pixels; 3 where none is known."""
        known = self.fwhm_px[np.isfinite(self.fwhm_px)]
        return float(np.clip(np.median(known), 1.0, 30.0)) if len(known) else 3.0


@dataclass(frozen=True, slots=True)
class MeasuredFrame:
    """A light after measuring: stars, sky, noise, shape. Units are those of calibrated samples."""

    raw: RawFrame
    stars: StarList
    sky: FloatArray
    """(4,) median level."""
    noise: FloatArray
    """(4,) standard deviation of one sample at the sky level, fixed small-scale structure excluded."""
    gradient: FloatArray
    """(4,) sky range across the frame (max - min of the fitted plane)."""
    fwhm_px: FloatArray
    """(4,) full width at half maximum of one shape per plane fitted to all bright stars, pixel included."""
    elongation: FloatArray
    """(4,)"""
    angle_deg: float
    """Direction of the elongation, from +x towards +y, in [0, 180)."""
    sky_map: npt.NDArray[np.float32]
    """(4, my, mx) local sky levels on equal cells over the frame; NaN where a cell is unusable."""
    fringe_normal: FloatArray = field(default_factory=lambda: np.zeros((4, 3, 3)))
    """Equations of each plane's offset, see `fourlight.stages.fringes.plane_equations`."""
    fringe_right: FloatArray = field(default_factory=lambda: np.zeros((4, 3, 2)))
    trails: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    """(n, 4) straight trails: a point x, y, direction (radians from +x towards +y) and half width, pixels."""
    aperture_error: float = 0.0
    """Relative error that all star fluxes share: that of the correction from profile to aperture."""
    flags: FrameFlag = FrameFlag.NONE


@dataclass(frozen=True, slots=True)
class RegisteredFrame:
    """A measured light placed on the grid of the reference frame."""

    measured: MeasuredFrame
    matrix: FloatArray
    """(2, 3): stack position (x, y) = matrix @ (x, y, 1) of the frame, as near as an affine map comes."""
    rms_px: float
    """Rms residual of the matched stars, per axis, after rejection."""
    matched: int
    transparency: FloatArray = field(default_factory=lambda: np.ones(4))
    """(4,) star flux over that of the reference frame."""
    transparency_error: FloatArray = field(default_factory=lambda: np.zeros(4))
    light: float = 1.0
    """Star flux over that of the reference frame, all planes together."""
    light_error: float = 0.0
    offset: FloatArray = field(default_factory=lambda: np.zeros((4, 2, 3)))
    """(4, 2, 3): how far each plane's picture lies beside the stars' places, pixels = offset @ (x, y, 1)."""
    exchanged: bool = False
    """Whether its red stars are blue in the reference frame: red and blue are in each other's place."""
    bend: FloatArray | None = None
    """(2, 4, 4): the map to stack positions where it is not affine, see `fourlight.core.bends`."""
    flags: FrameFlag = FrameFlag.NONE

    @property
    def place_error_px(self) -> float:
        """How well its place is known, rms per axis over the field; 0 for the reference frame.

        A linear map has three numbers for each axis: fitted to n stars its mean variance over the field is 3 / n of
        that of a star (least squares: the leverages sum to the number of parameters). A curved map has ten.
        """
        numbers = 3 if self.bend is None else 10
        return self.rms_px * (numbers / self.matched) ** 0.5 if self.matched else 0.0

    @property
    def plane_matrix(self) -> FloatArray:
        """(4, 2, 3) like ``matrix``, for the samples of each plane."""
        still = np.eye(2, 3)
        return np.array([maps.composed(still - offset, self.matrix) for offset in self.offset])

    @property
    def plane_bend(self) -> FloatArray:
        """(4, 2, 4, 4): the whole map for the samples of each plane; offsets are too small for the bend to matter."""
        bend = bends.straight(self.matrix) if self.bend is None else self.bend
        return np.asarray(bend + bends.straight(self.plane_matrix - self.matrix))
