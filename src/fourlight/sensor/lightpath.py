"""Electrons from light through a filter onto a camera: of an emission line, of an even continuum, of a black body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import weights
from fourlight.core.spectra import LINES_NM, V0_PHOTONS, black_body
from fourlight.sensor.filters import FILTERS, Beam, Filter
from fourlight.sensor.open_ends import EDGE_NM
from fourlight.sensor.response import Response, Sensed

__all__ = [
    "LINE_NAMES",
    "LightPath",
    "of_black_body",
    "of_even_light",
    "of_light",
    "of_line",
    "of_named_line",
]

FloatArray = npt.NDArray[np.float64]

STEP_NM = 0.1
"""Of integrals: a thirtieth of the narrowest common band."""
FAINT = 1e-3
"""Part of the light that a filter must pass to be counted as lit beyond the curves of a camera."""

LINE_NAMES = {
    "hbeta": "Hβ",
    "oiii_weak": "[OIII]",
    "oiii": "[OIII]",
    "nii_weak": "[NII]",
    "halpha": "Hα",
    "nii": "[NII]",
    "sii": "[SII]",
    "sii_strong": "[SII]",
}
"""Lines in order of their wavelength, and what they are called."""


@dataclass(frozen=True, slots=True, eq=False)
class LightPath:
    """A camera behind a filter, in straight or converging light."""

    response: Response
    filter: Filter = FILTERS["none"]
    beam: Beam | None = None

    def at(self, wave_nm: FloatArray) -> FloatArray:
        """(c, k) electrons per photon at k wavelengths."""
        return np.asarray(self.response.at(wave_nm) * self.filter.at(wave_nm, self.beam))

    def modes_at(self, wave_nm: FloatArray) -> FloatArray:
        """(m, c, k) how they may be off, see `fourlight.sensor.response`."""
        return np.asarray(self.response.modes_at(wave_nm) * self.filter.at(wave_nm, self.beam))

    def seen_by(self, channels: Sequence[str]) -> LightPath:
        """The same for other channels, see `Response.seen_by`."""
        return replace(self, response=self.response.seen_by(channels))

    def grid(self, step_nm: float = STEP_NM) -> FloatArray:
        """Wavelengths of integrals: those of the camera's curves, in steps.

        Beyond an end of the curves at which light passes, only errors are known: as far as the filter lets it through.
        """
        low, high = self.response.range_nm
        first, last = self._lit(low, self.response.wave_nm[0]), self._lit(high, self.response.wave_nm[-1])
        known = np.linspace(low, high, max(2, round((high - low) / step_nm) + 1))
        return np.concatenate([first[::-1], known, last])

    def _lit(self, end_nm: float, last_nm: float) -> FloatArray:
        """Wavelengths beyond an end of the curves of the camera, every nanometre, to where the filter is dark."""
        if end_nm == last_nm:
            return np.zeros(0)
        away = np.sign(last_nm - end_nm)
        wave = end_nm + away * np.append(EDGE_NM, np.arange(1.0, abs(last_nm - end_nm)))
        lit = np.flatnonzero(self.filter.at(wave, self.beam) > FAINT)
        return wave[: lit[-1] + 2] if lit.size else np.zeros(0)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was taken for granted of camera and filter."""
        wave, (low, high) = self.grid(), self.response.range_nm
        ends = [f"{end:g} nm" for end, beyond in ((low, wave[0] < low), (high, wave[-1] > high)) if beyond]
        said = f"curves of {self.response.name} end in light at {' and '.join(ends)}: dark is counted beyond, with an "
        said += "error for what is there"
        return (*self.response.notes, *([said] if ends else []), *self.filter.notes)


def of_line(path: LightPath, wave_nm: float, what: str = "light") -> Sensed:
    """Electrons per photon at one wavelength.

    Raises
    ------
    InputError
        The curve of the camera or of the filter does not reach it.

    Examples
    --------
    >>> from fourlight.sensor.sensors import sensor
    >>> of_line(LightPath(sensor("bsi-8mp"), FILTERS["dual-7nm"]), 500.68).values.round(2).tolist()
    [0.06, 0.94, 0.47]
    """
    path.response.need(wave_nm, what)
    path.filter.need(wave_nm, what)
    at = np.array([wave_nm])
    return Sensed(path.response.channels, path.at(at)[:, 0], path.modes_at(at)[:, :, 0])


def of_named_line(path: LightPath, name: str) -> Sensed:
    """Electrons per photon of a line of `LINES_NM`."""
    return of_line(path, LINES_NM[name], LINE_NAMES[name])


def of_even_light(path: LightPath) -> Sensed:
    """Electrons from light with one photon in each nanometre of wavelength, over the range of the camera's curves."""
    return of_light(path, np.ones(len(path.grid())))


def of_black_body(path: LightPath, temperature_k: float) -> Sensed:
    """Electrons from a black body that has one photon in a nanometre at 550 nm, over the range of the camera's curves.

    Parameters
    ----------
    path : LightPath
    temperature_k : float
        Above zero.
    """
    return of_light(path, black_body(path.grid(), temperature_k) / V0_PHOTONS)


def of_light(path: LightPath, photons: FloatArray) -> Sensed:
    """Electrons from light with so many photons in a nanometre at each wavelength of ``path.grid()``, (n,)."""
    wave = path.grid()
    share = weights(wave) * photons
    passed = share * path.filter.at(wave, path.beam)
    return Sensed(
        path.response.channels, path.response.at(wave) @ passed, path.response.modes_at(wave) @ passed
    )
