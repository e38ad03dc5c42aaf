"""What a camera behind a filter counts of stars of known colour, by measured spectra of stars."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.extinction import air_shape
from fourlight.core.passband import weights
from fourlight.core.starmixing import StarTable
from fourlight.sensor.lightpath import LightPath
from fourlight.sky.starspectra import BLUEST, REDDEST, StarSpectra, dusted, smoothed, star_spectra

__all__ = ["star_table"]

Float64 = npt.NDArray[np.float64]

STEP = 0.02
"""Of B-V."""
SPLIT_NM = 580.0
"""Between the light that is called red and the other."""
COMMON = 0.05
"""Part by which red light of all stars may differ from that of the spectra, one standard deviation: air that is not as
clear as supposed."""
TILT, TILT_B_V, MIDDLE_B_V = 0.0075, 0.4, 0.7
"""Part by which it may differ beside from that of stars which are so much bluer: 25 spectra scatter by 0.02 around what
their colours tell, and the stars of a field are not theirs."""
DUST = 0.06
"""Mean E(B-V) of stars to V = 11, and how uncertain it is: a usual value, no source."""


def star_table(path: LightPath, more: int, air_masses: float, shared: Float64 | None = None) -> StarTable:
    """What channels count of stars from blue to red, with how that may be off.

    Parameters
    ----------
    path : LightPath
    more : int
        Modes of a mixing matrix behind those of the camera, which move no star.
    air_masses : float
        Clear air before the stars.
    shared : (c, c) float64 or None
        Covariance, between channels, of parts by which the light of all stars is off; None: it is not.

    Returns
    -------
    StarTable
        The modes behind ``more`` are what stars have in common beside the camera: red light, by colour and as a whole,
        dust, and one for each channel.

    Examples
    --------
    >>> from fourlight.sensor.filters import named_filter
    >>> from fourlight.sensor.sensors import sensor
    >>> stars = star_table(LightPath(sensor("bsi-8mp"), named_filter("dual-7nm")), 0, 1.0)
    >>> blue, red = stars.at([0.4, 1.2])[0]
    >>> bool(red[0] / red[1] > 1.5 * blue[0] / blue[1])
    True
    """
    colour = np.arange(BLUEST, REDDEST + 0.5 * STEP, STEP)
    clear, behind = (_of_spectra(path, air_masses, spectra, colour) for spectra in _less_and_more_dust())
    table = 0.5 * (clear + behind)
    values, red = table[:, 0], table[:, -1]
    own = np.stack([
        COMMON * red, TILT * (colour[:, None] - MIDDLE_B_V) / TILT_B_V * red, 0.5 * (behind - clear)[:, 0]
    ], axis=1)  # fmt: skip
    none = np.zeros((len(colour), more, values.shape[1]))
    size, vectors = np.linalg.eigh(np.zeros((values.shape[1],) * 2) if shared is None else shared)
    each = values[:, None] * (vectors * np.sqrt(np.maximum(size, 0.0))).T
    return StarTable(colour, values, np.concatenate([table[:, 1:-1], none, own, each], axis=1))


def _less_and_more_dust() -> tuple[StarSpectra, StarSpectra]:
    """Spectra a standard deviation of dust to either side of the usual one."""
    spectra = star_spectra()
    return dusted(spectra, 0.0), dusted(spectra, 2 * DUST)


def _of_spectra(path: LightPath, air_masses: float, spectra: StarSpectra, colour: Float64) -> Float64:
    """(g, 2 + m, c) what channels count of stars of these colours, how that may be off, and their red light."""
    wave = path.grid()
    photons = np.stack([np.interp(wave, spectra.wave_nm, row) for row in spectra.photons])
    passed = photons * weights(wave) * path.filter.at(wave, path.beam) * air_shape(wave, air_masses)
    curves, modes = path.response.at(wave), path.response.modes_at(wave)
    each = [
        (passed @ curves.T)[:, None], np.einsum("kn,mcn->kmc", passed, modes, optimize=True),
        ((passed * (wave > SPLIT_NM)) @ curves.T)[:, None],
    ]  # fmt: skip
    return smoothed(np.concatenate(each, axis=1), colour, spectra)[0]
