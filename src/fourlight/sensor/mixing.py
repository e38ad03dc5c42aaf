"""The mixing matrix: electrons of each channel from each kind of light that emission lines and continuum are told by.

Lines that cannot be told apart count as one: [NII] goes with Halpha at a stated ratio, Hbeta with Halpha by
recombination, both [OIII] lines and both [SII] lines together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.spectra import HALPHA_OVER_HBETA, LINES_NM, NII_WEAK, OIII_WEAK, dust_law
from fourlight.errors import InputError
from fourlight.sensor.lightpath import LightPath, of_black_body, of_even_light, of_named_line
from fourlight.sensor.response import Sensed
from fourlight.settings import nearest

__all__ = ["COLUMNS", "Mixing", "Ratios", "mixing_matrix"]

FloatArray = npt.NDArray[np.float64]

COLUMNS = ("halpha", "oiii", "sii", "continuum")
"""Kinds of light, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Ratios:
    """What is taken for granted of the nebula: photons of one line per photon of another, with standard deviations."""

    nii: float = 0.3
    """[NII] 658.3 over Halpha; some 0.1 to 0.5 in clouds that hot stars light up, above 1 in some shells."""
    nii_sigma: float = 0.15
    balmer_part: float = 0.05
    """Of Halpha over Hbeta (case B, 2.86 in energy), as a part: 2.75 to 3.04 between 20 000 and 5000 K."""
    reddening_mag: float = 0.0
    """E(B-V) of dust in front, which weakens Hbeta against Halpha."""
    sii_strong: float = 0.43
    """[SII] 673.1 over both; 0.41 in thin gas, 0.69 in dense gas (6716/6731 = 1.45 to 0.45)."""
    sii_strong_sigma: float = 0.05
    continuum_k: float | None = None
    """Temperature of the black body that continuum is like; None: as many photons at every wavelength."""

    def __post_init__(self) -> None:
        at_least = min(self.nii, self.nii_sigma, self.balmer_part, self.reddening_mag, self.sii_strong_sigma)
        if not (
            at_least >= 0 and 0 <= self.sii_strong <= 1 and (self.continuum_k is None or self.continuum_k > 0)
        ):
            raise InputError(
                f"{self}: ratios and what is not known of them must be at least 0, sii_strong at most 1, "
                "a temperature above 0"
            )

    @property
    def hbeta(self) -> float:
        """Photons of Hbeta per photon of Halpha, dust taken into account.

        >>> round(Ratios().hbeta, 3), round(Ratios(reddening_mag=0.701).hbeta / Ratios().hbeta, 2)
        (0.259, 0.5)
        """
        bluer = 3.1 * float(dust_law(LINES_NM["hbeta"]) - dust_law(LINES_NM["halpha"]))
        return float(10.0 ** (-0.4 * self.reddening_mag * bluer) / HALPHA_OVER_HBETA)


@dataclass(frozen=True, slots=True, eq=False)
class Mixing:
    """Electrons of channels (c) per photon of kinds of light (k)."""

    channels: tuple[str, ...]
    columns: tuple[str, ...]
    values: FloatArray
    """(c, k): per photon of Halpha, of [OIII] 500.7, of both [SII] lines; continuum: per photon and nm (at 550 nm)."""
    modes: FloatArray
    """(m, c, k) how they may be off together, one standard deviation each, independent of one another."""
    scale: str
    """Of the camera's curves, see `Response.scale`; unless absolute, only ratios of the values mean anything."""
    notes: tuple[str, ...]

    @property
    def sigma(self) -> FloatArray:
        """(c, k) one standard deviation."""
        return np.asarray(np.sqrt((self.modes**2).sum(axis=0)))

    @property
    def covariance(self) -> FloatArray:
        """(c k, c k) of the values, row after row."""
        flat = self.modes.reshape(len(self.modes), -1)
        return np.asarray(flat.T @ flat)


def mixing_matrix(
    path: LightPath,
    columns: Sequence[str] = ("halpha", "oiii"),
    ratios: Ratios | None = None,
    channels: Sequence[str] | None = None,
) -> Mixing:
    """Electrons of each channel from each kind of light.

    Parameters
    ----------
    path : LightPath
    columns : sequence of str
        Of `COLUMNS`.
    ratios : Ratios, optional
    channels : sequence of str, optional
        Such as ``("R", "G1", "G2", "B")``; those of the camera's curves unless given.

    Raises
    ------
    InputError
        No such column (the nearest one is named), or a curve does not reach a line.

    Examples
    --------
    >>> from fourlight.sensor.filters import named_filter
    >>> from fourlight.sensor.sensors import sensor
    >>> mixing_matrix(LightPath(sensor("bsi-8mp"), named_filter("dual-7nm"))).values.round(2).tolist()
    [[0.96, 0.06], [0.19, 0.94], [0.1, 0.47]]
    """
    ratios = ratios or Ratios()
    for name in columns:
        if name not in COLUMNS:
            raise InputError(f"column {name!r}: {nearest(name, COLUMNS, 'such kind of light')}")
    if len(set(columns)) < len(columns) or not columns:
        raise InputError(
            f"columns {', '.join(columns) or '(none)'}: name each kind of light once, at least one"
        )
    seen = path.seen_by(channels or path.response.channels)
    found = [_COLUMN[name](seen, ratios) for name in columns]
    values = np.stack([each.values for each, _ in found], axis=1)
    shared = np.stack([each.modes for each, _ in found], axis=2)
    notes = path.response.notes + path.filter.notes + _notes(columns, ratios)
    return Mixing(
        seen.response.channels, tuple(columns), values, np.concatenate([shared, _ratio_modes(found)]),
        path.response.scale, notes,
    )  # fmt: skip


Column = tuple[Sensed, list[FloatArray]]
"""Electrons, and by how much they change with one standard deviation of each ratio."""


def _ratio_modes(found: Sequence[Column]) -> FloatArray:
    """(m, c, k) modes of ratios, each of which moves one column alone."""
    modes = []
    for k, (each, moved) in enumerate(found):
        for change in moved:
            mode = np.zeros((len(each.values), len(found)))
            mode[:, k] = change
            modes.append(mode)
    return np.array(modes).reshape(len(modes), len(found[0][0].values), len(found))


def _blend(path: LightPath, shares: dict[str, float]) -> Sensed:
    """Electrons from so many photons of each line; lines that a dark filter holds back need no curve."""
    parts = [(of_named_line(path, name), share) for name, share in shares.items()]
    values = np.sum([share * part.values for part, share in parts], axis=0)
    return Sensed(
        path.response.channels, values, np.sum([share * part.modes for part, share in parts], axis=0)
    )


def _halpha(path: LightPath, ratios: Ratios) -> Column:
    nitrogen = {"nii": 1.0, "nii_weak": NII_WEAK}
    shares = {"halpha": 1.0, "hbeta": ratios.hbeta, **{name: ratios.nii * w for name, w in nitrogen.items()}}
    by_nitrogen = ratios.nii_sigma * _blend(path, nitrogen).values
    by_hbeta = ratios.balmer_part * ratios.hbeta * _blend(path, {"hbeta": 1.0}).values
    return _blend(path, shares), [by_nitrogen, by_hbeta]


def _oiii(path: LightPath, ratios: Ratios) -> Column:
    return _blend(path, {"oiii": 1.0, "oiii_weak": OIII_WEAK}), []


def _sii(path: LightPath, ratios: Ratios) -> Column:
    strong = ratios.sii_strong
    change = ratios.sii_strong_sigma * _blend(path, {"sii_strong": 1.0, "sii": -1.0}).values
    return _blend(path, {"sii": 1.0 - strong, "sii_strong": strong}), [change]


def _continuum(path: LightPath, ratios: Ratios) -> Column:
    return (of_black_body(path, ratios.continuum_k) if ratios.continuum_k else of_even_light(path)), []


_COLUMN: dict[str, Callable[[LightPath, Ratios], Column]] = {
    "halpha": _halpha,
    "oiii": _oiii,
    "sii": _sii,
    "continuum": _continuum,
}


def _notes(columns: Sequence[str], ratios: Ratios) -> tuple[str, ...]:
    """Sentences on what was taken for granted of the light."""
    said = {
        "halpha": f"[NII] counts with Halpha at {ratios.nii:g} +- {ratios.nii_sigma:g} photons per photon, "
        f"Hbeta at {ratios.hbeta:.3f}",
        "oiii": f"both [OIII] lines count together, the weak one at {OIII_WEAK:.3f} photons per photon",
        "sii": f"[SII] 673.1 is {ratios.sii_strong:g} +- {ratios.sii_strong_sigma:g} of both",
        "continuum": f"continuum is like a black body of {ratios.continuum_k:g} K"
        if ratios.continuum_k
        else "continuum has as many photons at every wavelength",
    }
    return tuple(said[name] for name in columns)
