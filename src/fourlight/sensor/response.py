"""Spectral response of the colours of a camera, with what is not known of it.

A response is a share of photons turned into electrons. Its uncertainty is kept as modes: curves by which the response
may be off together, one standard deviation each, independent of one another. Everything that is linear in the response
(electrons of a line, of a continuum) then has modes too, and from them covariances between colours and lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.errors import InputError

__all__ = ["MONO", "WAVE_NM", "Response", "Scale", "Sensed", "own_scales", "with_error"]

FloatArray = npt.NDArray[np.float64]
Scale = Literal["absolute", "relative", "by colour"]

MONO = ("M",)
"""The one channel of a sensor without dyes."""
WAVE_NM: FloatArray = np.arange(380.0, 801.0, 1.0)
"""Wavelengths on which the simulator and comparisons of broad colours work."""

REACH_NM = 25.0
"""How far apart the errors of a curve are alike where nobody stated them; a colour is three to five times as wide."""

ALIKE = 0.005
"""Part by which the highest values of the colours may differ where each colour is in units of its own."""


def own_scales(curves: FloatArray) -> bool:
    """Whether every colour is in units of its own highest value, so that one cannot be compared with another.

    >>> own_scales(np.array([[0.2, 1.0], [1.0, 0.3]])), own_scales(np.array([[0.2, 0.9], [1.0, 0.3]]))
    (True, False)
    """
    tops = curves.max(axis=1)
    return bool(np.ptp(tops) <= ALIKE * tops.max())


@dataclass(frozen=True, slots=True)
class Sensed:
    """Electrons of each channel from some light, with what is not known of them."""

    channels: tuple[str, ...]
    values: FloatArray
    """(c,)"""
    modes: FloatArray
    """(m, c), one standard deviation each."""

    @property
    def covariance(self) -> FloatArray:
        """(c, c)"""
        return np.asarray(self.modes.T @ self.modes)

    @property
    def sigma(self) -> FloatArray:
        """(c,) one standard deviation."""
        return np.asarray(np.sqrt((self.modes**2).sum(axis=0)))


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """Electrons per photon of the channels of a camera.

    Examples
    --------
    >>> wave, curve = np.array([400.0, 700.0]), np.array([[0.4, 0.8]])
    >>> flat = Response("flat", wave, curve, "absolute", "made up", channels=("G",))
    >>> flat.at(np.array([300.0, 550.0])).round(3).tolist()
    [[0.0, 0.6]]
    """

    name: str
    wave_nm: FloatArray
    """(n,) increasing."""
    curves: FloatArray
    """(c, n) not negative, straight between wavelengths, counted as zero outside of them (see `known_nm`)."""
    scale: Scale
    """``absolute``: quantum efficiency; ``relative``: but for one factor; ``by colour``: but for one of each colour."""
    source: str
    modes: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))
    """(m, c, n), see the module."""
    notes: tuple[str, ...] = ()
    """What was taken for granted."""
    channels: tuple[str, ...] = COLOURS
    known_nm: tuple[float, float] | None = None
    """Ends of what is known, where modes reach farther; see `fourlight.sensor.open_ends`."""

    def __post_init__(self) -> None:
        if self.curves.shape != (len(self.channels), len(self.wave_nm)):
            raise ValueError(
                f"curves are {self.curves.shape}, channels and wavelengths ask for another shape"
            )
        if not self.modes.size:
            object.__setattr__(self, "modes", np.zeros((0, *self.curves.shape)))

    @property
    def range_nm(self) -> tuple[float, float]:
        """Shortest and longest wavelength at which the curves are known."""
        return self.known_nm or (float(self.wave_nm[0]), float(self.wave_nm[-1]))

    @property
    def open_nm(self) -> tuple[float, ...]:
        """Ends at which light still passes and beyond which errors are carried."""
        ends = zip(self.range_nm, (self.wave_nm[0], self.wave_nm[-1]), strict=True)
        return tuple(known for known, last in ends if known != last)

    @property
    def sigma(self) -> FloatArray:
        """(c, n) one standard deviation of the curves."""
        return np.asarray(np.sqrt((self.modes**2).sum(axis=0)))

    def at(self, wave_nm: FloatArray) -> FloatArray:
        """(c, k) at k wavelengths; zero outside of the curves."""
        return _between(wave_nm, self.wave_nm, self.curves)

    def modes_at(self, wave_nm: FloatArray) -> FloatArray:
        """(m, c, k) at k wavelengths."""
        return _between(wave_nm, self.wave_nm, self.modes)

    def need(self, wave_nm: float, what: str) -> None:
        """Refuse a wavelength of which the curves tell nothing.

        Raises
        ------
        InputError
            It is outside of them.
        """
        low, high = self.range_nm
        if not low <= wave_nm <= high:
            raise InputError(
                f"{self.name}: its curve runs from {low:g} to {high:g} nm, {what} at {wave_nm:g} nm lies outside; "
                "name a camera whose curve holds it"
            )

    def seen_by(self, channels: Sequence[str]) -> Response:
        """The response of other channels: greens from green, green as the mean of the greens.

        Raises
        ------
        InputError
            A channel cannot be made from those that are here.

        Examples
        --------
        >>> one = Response("x", np.array([400.0, 700.0]), np.eye(3)[:, :2], "absolute", "made up")
        >>> one.seen_by(("R", "G1", "G2", "B")).curves[:, 1].tolist()
        [0.0, 1.0, 1.0, 0.0]
        """
        mix = np.array([_made_from(name, self) for name in channels])
        return replace(
            self,
            channels=tuple(channels),
            curves=mix @ self.curves,
            modes=np.einsum("dc,mcn->mdn", mix, self.modes),
        )


def _made_from(name: str, response: Response) -> FloatArray:
    """(c,) shares of the channels of a response in another channel."""
    here = response.channels
    wanted = {name} if name in here else {"G": {"G1", "G2"}, "G1": {"G"}, "G2": {"G"}}.get(name, {name})
    if not wanted <= set(here):
        raise InputError(
            f"{response.name}: channel {name} is asked for, it has {', '.join(here)}; name a curve that has it"
        )
    return np.array([(each in wanted) / len(wanted) for each in here])


def _between(wave_nm: FloatArray, at_nm: FloatArray, curves: FloatArray) -> FloatArray:
    """Curves (..., n), straight between their wavelengths and zero outside of them, at other wavelengths."""
    wave = np.asarray(wave_nm, dtype=np.float64)
    rows = [np.interp(wave, at_nm, row, left=0.0, right=0.0) for row in curves.reshape(-1, len(at_nm))]
    return np.array(rows, dtype=np.float64).reshape(*curves.shape[:-1], *wave.shape)


def with_error(response: Response, share: float, why: str) -> Response:
    """A response that may be off by a part of itself, in every colour and, more or less, at every wavelength apart.

    The errors at two wavelengths are alike within `REACH_NM` and independent twice as far apart: each mode is the curve
    of one colour times a hump, and the squares of the humps sum to ``share`` squared everywhere.

    Parameters
    ----------
    response : Response
    share : float
        One standard deviation, as a part of the response.
    why : str
        Where the share is from, for the notes.
    """
    low, high = response.range_nm
    middle = np.arange(low, high + REACH_NM, REACH_NM)
    away = np.minimum(np.abs(response.wave_nm - middle[:, None]) / REACH_NM, 1.0)
    humps = np.where(away < 1.0, share * np.cos(0.5 * np.pi * away), 0.0)
    each = np.einsum("hn,cn,cd->hcdn", humps, response.curves, np.eye(len(response.channels)))
    modes = each.reshape(-1, *response.curves.shape)
    note = f"each value may be off by {100 * share:g} % ({why})"
    return replace(response, modes=np.concatenate([response.modes, modes]), notes=(*response.notes, note))
