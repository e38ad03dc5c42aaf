"""The mixing matrix: electrons of each channel from each kind of light that emission lines and continuum are told by.

Lines that cannot be told apart count as one: [NII] goes with Hα at a stated ratio, Hβ with Hα by
recombination, both [OIII] lines and both [SII] lines together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.spectra import HALPHA_OVER_HBETA, LINES_NM, NII_WEAK, OIII_WEAK, V_NM, dust_law
from fourlight.errors import InputError
from fourlight.sensor.lightpath import LightPath, of_black_body, of_even_light, of_light, of_named_line
from fourlight.sensor.response import Sensed
from fourlight.settings import nearest

__all__ = ["COLUMNS", "TILT_NM", "UNKNOWN_DUST", "Mixing", "Ratios", "mixing_matrix"]

FloatArray = npt.NDArray[np.float64]

COLUMNS = ("halpha", "oiii", "sii", "continuum", "hbeta", "tilt")
"""Kinds of light, in the order in which they are told. ``hbeta`` stands for itself where it is named, else it goes with
Hα; ``tilt`` is what continuum has more of at longer wavelengths."""

TILT_NM = 100.0
"""From 550 nm to where one unit of ``tilt`` adds as many photons as continuum has."""


UNKNOWN_DUST = 0.5
"""E(B-V) in magnitudes that may well be before a nebula of which nothing is said, one standard deviation from none.
Bright clouds along the Milky Way have some 0.2 to 1, planetary nebulae often less (from memory); dust can only take Hβ
away."""
LEAST_DUST, OF_DUST = 0.1, 0.25
"""What E(B-V) that is given may be off by, magnitudes and part of it: it differs over a nebula, and its law from cloud
to cloud (common practice, no source)."""

_MOST = {
    "nii": (
        6.0,
        (
            "photons of [NII] 658.3 per photon of Hα: some 0.1 to 0.5 in clouds that hot stars light up, and with "
            "654.8 up to eight in the planetary nebulae that are richest in nitrogen (diagrams of Riesgo & Lopez 2006)"
        ),
    ),
    "reddening_mag": (10.0, "E(B-V) in magnitudes: dust that reddens more lets no Hα through to be seen"),
    "sii_strong": (1.0, "a share of both lines"),
    "nii_sigma": (np.inf, ""),
    "balmer_part": (np.inf, ""),
    "reddening_sigma": (np.inf, ""),
    "sii_strong_sigma": (np.inf, ""),
}
"""Largest values of ratios and why. Riesgo & Lopez 2006, Revista Mexicana 42, 47: log (Hα / [NII]), both lines of
[NII], of 613 planetary nebulae; its lowest, -0.9, is from memory. E(B-V) = 10 is the dust before the middle of the
Milky Way (30 magnitudes in V, from memory)."""


@dataclass(frozen=True, slots=True)
class Ratios:
    """What is taken for granted of the nebula: photons of one line per photon of another, with standard deviations."""

    nii: float = 0.3
    """[NII] 658.3 over Hα; some 0.1 to 0.5 in clouds that hot stars light up, above 1 in some shells."""
    nii_sigma: float = 0.15
    balmer_part: float = 0.05
    """Of Hα over Hβ (case B, 2.86 in energy), as a part: 2.75 to 3.04 between 20 000 and 5000 K."""
    reddening_mag: float | None = None
    """E(B-V) of dust in front, which weakens Hβ against Hα; None: not known, and counted as none."""
    reddening_sigma: float | None = None
    """Of it; None: `UNKNOWN_DUST` where it is not known, else `OF_DUST` of it and at least `LEAST_DUST`."""
    sii_strong: float = 0.43
    """[SII] 673.1 over both; 0.41 in thin gas, 0.69 in dense gas (6716/6731 = 1.45 to 0.45)."""
    sii_strong_sigma: float = 0.05
    continuum_k: float | None = None
    """Temperature of the black body that continuum is like; None: as many photons at every wavelength."""

    def __post_init__(self) -> None:
        for name, (most, why) in _MOST.items():
            value = getattr(self, name)
            if value is not None and not 0 <= value <= most:
                wanted = f"0 to {most:g} is needed, {why}" if np.isfinite(most) else "at least 0 is needed"
                raise InputError(f"{name} {value:g}: {wanted}")
        if self.continuum_k is not None and not self.continuum_k > 0:
            raise InputError(f"continuum_k {self.continuum_k:g}: kelvins above 0 are needed")

    @property
    def hbeta(self) -> float:
        """Photons of Hβ per photon of Hα, dust taken into account.

        >>> round(Ratios().hbeta, 3), round(Ratios(reddening_mag=0.701).hbeta / Ratios().hbeta, 2)
        (0.259, 0.5)
        """
        return _dimmed(self.reddening_mag or 0.0) / HALPHA_OVER_HBETA

    @property
    def hbeta_part(self) -> float:
        """Standard deviation of `hbeta` as a part of it: recombination, and dust that is not known.

        >>> round(Ratios().hbeta_part, 2), round(Ratios(reddening_mag=0.8).hbeta_part, 2)
        (0.39, 0.19)
        """
        sigma = self.reddening_sigma
        if sigma is None:
            given = self.reddening_mag
            sigma = UNKNOWN_DUST if given is None else max(LEAST_DUST, OF_DUST * given)
        return float(np.hypot(self.balmer_part, 1.0 - _dimmed(sigma)))


def _dimmed(reddening_mag: float) -> float:
    """What dust leaves of Hβ beside what it leaves of Hα."""
    bluer = 3.1 * float(dust_law(LINES_NM["hbeta"]) - dust_law(LINES_NM["halpha"]))
    return float(10.0 ** (-0.4 * reddening_mag * bluer))


@dataclass(frozen=True, slots=True, eq=False)
class Mixing:
    """Electrons of channels (c) per photon of kinds of light (k)."""

    channels: tuple[str, ...]
    columns: tuple[str, ...]
    values: FloatArray
    """(c, k): per photon of Hα, of [OIII] 500.7, of both [SII] lines; continuum: per photon and nm (at 550 nm)."""
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
    tied = "hbeta" not in columns
    found = [
        _COLUMN[name](seen, ratios) if name != "halpha" else _halpha(seen, ratios, tied=tied)
        for name in columns
    ]
    values = np.stack([each.values for each, _ in found], axis=1)
    shared = np.stack([each.modes for each, _ in found], axis=2)
    notes = path.notes + _notes(columns, ratios, tied=tied)
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


def _halpha(path: LightPath, ratios: Ratios, *, tied: bool) -> Column:
    nitrogen = {"nii": 1.0, "nii_weak": NII_WEAK}
    hydrogen = {"halpha": 1.0, **({"hbeta": ratios.hbeta} if tied else {})}
    shares = {**hydrogen, **{name: ratios.nii * w for name, w in nitrogen.items()}}
    changes = [ratios.nii_sigma * _blend(path, nitrogen).values]
    if tied:
        changes.append(ratios.hbeta_part * ratios.hbeta * _blend(path, {"hbeta": 1.0}).values)
    return _blend(path, shares), changes


def _oiii(path: LightPath, ratios: Ratios) -> Column:
    return _blend(path, {"oiii": 1.0, "oiii_weak": OIII_WEAK}), []


def _sii(path: LightPath, ratios: Ratios) -> Column:
    strong = ratios.sii_strong
    change = ratios.sii_strong_sigma * _blend(path, {"sii_strong": 1.0, "sii": -1.0}).values
    return _blend(path, {"sii": 1.0 - strong, "sii_strong": strong}), [change]


def _continuum(path: LightPath, ratios: Ratios) -> Column:
    return (of_black_body(path, ratios.continuum_k) if ratios.continuum_k else of_even_light(path)), []


def _hbeta(path: LightPath, ratios: Ratios) -> Column:
    return _blend(path, {"hbeta": 1.0}), []


def _tilt(path: LightPath, ratios: Ratios) -> Column:
    return of_light(path, (path.grid() - V_NM) / TILT_NM), []


_COLUMN: dict[str, Callable[[LightPath, Ratios], Column]] = {
    "halpha": partial(_halpha, tied=True),
    "hbeta": _hbeta,
    "tilt": _tilt,
    "oiii": _oiii,
    "sii": _sii,
    "continuum": _continuum,
}


def _hbeta_words(ratios: Ratios) -> str:
    """
    >>> _hbeta_words(Ratios()), _hbeta_words(Ratios(reddening_mag=0.8))
    ('0.259 +- 0.102 (without dust)', '0.117 +- 0.022 (behind dust of E(B-V) 0.8)')
    """
    dust = f"behind dust of E(B-V) {ratios.reddening_mag:g}" if ratios.reddening_mag else "without dust"
    return f"{ratios.hbeta:.3f} +- {ratios.hbeta * ratios.hbeta_part:.3f} ({dust})"


def _notes(columns: Sequence[str], ratios: Ratios, *, tied: bool) -> tuple[str, ...]:
    """Sentences on what was taken for granted of the light."""
    said = {
        "halpha": f"[NII] counts with Hα at {ratios.nii:g} +- {ratios.nii_sigma:g} photons per photon"
        + (f", Hβ at {_hbeta_words(ratios)}" if tied else ""),
        "hbeta": "Hβ counts by itself",
        "tilt": "continuum may have more photons at one end of the spectrum, evenly with wavelength, as is solved for",
        "oiii": f"both [OIII] lines count together, the weak one at {OIII_WEAK:.3f} photons per photon",
        "sii": f"[SII] 673.1 is {ratios.sii_strong:g} +- {ratios.sii_strong_sigma:g} of both",
        "continuum": f"continuum is like a black body of {ratios.continuum_k:g} K"
        if ratios.continuum_k
        else "continuum has as many photons at every wavelength",
    }
    even = ("continuum",) if "tilt" in columns and not ratios.continuum_k else ()  # the slope says otherwise
    return tuple(said[name] for name in columns if name not in even)
