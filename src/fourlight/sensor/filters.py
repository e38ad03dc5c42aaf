"""Filters in front of the sensor: passbands by design or from a table, and what a converging beam makes of them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import cone, edge_power, equivalent_nm, flat_top, tilted_nm
from fourlight.errors import InputError
from fourlight.settings import nearest

__all__ = [
    "FASTEST",
    "FILTERS",
    "INDEX",
    "TRANSMISSION",
    "Band",
    "Beam",
    "Filter",
    "in_bands",
    "known_filter",
    "named_filter",
]

FloatArray = npt.NDArray[np.float64]

INDEX = 1.8
"""Effective refractive index of the layers where none is stated; 1.5 to 2.1 for most coatings."""

POWER = 8.0
"""Steepness of a band whose edges are not stated: from 90 to 10 % within 0.19 of its width."""

TRANSMISSION = 0.92
"""What a filter by design passes at its best where light is counted and nobody states it (assumed, no source)."""

FASTEST = 0.7
"""Least focal length over aperture that anything has."""

DARK = 0.02
"""Part of its highest value to which a table of a filter must have fallen at its ends to count as complete."""

NARROW_NM = 80.0
"""Width of a filter up to which it is one for lines: their bands take 3 to 60 nm together, that of a colour 90 and
more (common practice, no source)."""
_SEEN_NM: FloatArray = np.arange(350.0, 1000.1, 0.2)
"""Where sensors count."""


@dataclass(frozen=True, slots=True)
class Band:
    """One passband by design.

    >>> Band(500.7, 7.0, edge_nm=1.0).at(np.array([497.2, 500.7])).round(2).tolist()
    [0.5, 1.0]
    """

    centre_nm: float
    width_nm: float
    """Full width at half maximum."""
    transmission: float = 1.0
    """At the centre, 0 to 1."""
    edge_nm: float | None = None
    """Within how much an edge falls from 90 to 10 % of it; None: 0.19 of the width."""

    def __post_init__(self) -> None:
        edge = 0.2 if self.edge_nm is None else self.edge_nm / self.width_nm if self.width_nm > 0 else 0.0
        fits = 200 <= self.centre_nm <= 2000 and 0 < self.width_nm < 2 * self.centre_nm
        if not (fits and 0 < self.transmission <= 1 and 0.003 <= edge <= 0.8):
            raise InputError(
                f"band of {self.width_nm:g} nm at {self.centre_nm:g} nm, transmission {self.transmission:g}, edge "
                f"{self.edge_nm or 'not stated'}: needed are a centre of 200 to 2000 nm, a width above 0, "
                "a transmission above 0 and at most 1, an edge of 0.003 to 0.8 of the width"
            )

    def at(self, wave_nm: FloatArray) -> FloatArray:
        """Transmission at wavelengths, of light that comes in straight."""
        power = POWER if self.edge_nm is None else edge_power(self.edge_nm / self.width_nm)
        return np.asarray(flat_top(wave_nm, self.centre_nm, self.width_nm, power) * self.transmission)


@dataclass(frozen=True, slots=True)
class Beam:
    """The light of a star that converges through a filter; see `fourlight.core.passband.cone`."""

    f_ratio: float
    obstruction: float = 0.0
    """Diameter of what stands in the middle of the aperture over that of the aperture."""

    def __post_init__(self) -> None:
        if not (FASTEST <= self.f_ratio < np.inf and 0 <= self.obstruction < 0.9):
            raise InputError(
                f"f-ratio {self.f_ratio:g} with an obstruction of {self.obstruction:g}: needed are an f-ratio of at "
                f"least {FASTEST:g} and a part of the diameter, 0 to less than 0.9"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Filter:
    """Transmission over wavelength: that of the best of its bands, or a table; with neither it passes everything."""

    name: str
    bands: tuple[Band, ...] = ()
    table: tuple[FloatArray, FloatArray] | None = None
    """Wavelengths (nm, increasing) and transmission, straight between them and zero outside."""
    source: str = "by design: centre and width as such filters are made, no measured curve"
    index: float = INDEX
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not 1.0 < self.index <= 4.0:
            raise InputError(
                f"index {self.index:g}: needed is an effective refractive index above 1 and at most 4"
            )

    def at(self, wave_nm: npt.ArrayLike, beam: Beam | None = None) -> FloatArray:
        """Transmission at wavelengths, of straight light, or the mean over the directions in a beam."""
        wave = np.asarray(wave_nm, dtype=np.float64)
        if beam is None:
            return self._straight(wave)
        total = np.zeros_like(wave)
        for sin2, share in zip(*cone(beam.f_ratio, beam.obstruction), strict=True):
            # What a tilted filter does at a wavelength, it does straight at one that is longer.
            total += share * self._straight(wave / tilted_nm(1.0, sin2, self.index))
        return total

    def _straight(self, wave: FloatArray) -> FloatArray:
        if self.table is not None:
            return np.asarray(np.interp(wave, *self.table, left=0.0, right=0.0))
        if not self.bands:
            return np.ones_like(wave)
        return np.asarray(np.max([band.at(wave) for band in self.bands], axis=0))

    @property
    def width_nm(self) -> float:
        """Integral of the transmission of straight light over its highest value, all bands together, 350 to 1000 nm.

        >>> round(Filter("two bands", (Band(500.7, 7.0, 0.9), Band(656.3, 7.0, 0.9))).width_nm, 1)
        13.8
        """
        passed = self._straight(_SEEN_NM)
        top = float(passed.max())
        return float(equivalent_nm(_SEEN_NM, passed)) / top if top > 0 else 0.0

    @property
    def best(self) -> float:
        """What it passes at its best, of light that comes in straight."""
        if self.table is not None:
            return float(self.table[1].max())
        return max((band.transmission for band in self.bands), default=1.0)

    def passing(self, share: float) -> Filter:
        """The same design with bands that pass a part of what they pass here; a table says itself what it passes.

        >>> round(in_bands([(550.0, 100.0)]).passing(0.9).best, 3), Filter("none").passing(0.9).best
        (0.9, 1.0)
        """
        bands = (replace(band, transmission=band.transmission * share) for band in self.bands)
        return replace(self, bands=tuple(bands))

    @property
    def narrow(self) -> bool:
        """Whether it is a filter for lines, through which little else comes."""
        return 0.0 < self.width_nm < NARROW_NM

    def need(self, wave_nm: float, what: str) -> None:
        """Refuse a wavelength of which a table tells nothing; where its ends are dark, it tells of everything.

        Raises
        ------
        InputError
            The table ends in the light before it.
        """
        if self.table is None:
            return
        wave, passed = self.table
        end = passed[0] if wave_nm < wave[0] else passed[-1] if wave_nm > wave[-1] else 0.0
        if end > DARK * passed.max():
            raise InputError(
                f"{self.name}: its curve runs from {wave[0]:g} to {wave[-1]:g} nm and still passes {100 * end:.0f} % "
                f"at its end, {what} at {wave_nm:g} nm lies outside; name a filter whose curve holds it"
            )


def in_bands(
    bands: Iterable[tuple[float, float]], transmission: float = 1.0, name: str = "own bands"
) -> Filter:
    """A filter with bands of a centre and a full width at half maximum, nm.

    >>> in_bands([(550.0, 100.0)], 0.9).at([500.0, 550.0]).round(3).tolist()
    [0.45, 0.9]
    """
    return Filter(
        name, tuple(Band(centre, width, transmission) for centre, width in bands), source="as given"
    )


def _designs() -> dict[str, Filter]:
    """Kinds of filters as they are commonly made, none of them measured; what they pass is told over their best."""
    ha, oiii, hbeta, sii = 656.3, 500.7, 486.1, 672.4
    bands: dict[str, tuple[Band, ...]] = {
        "none": (),
        "luminance": (Band(550.0, 300.0),),
        "uv-ir-cut": (Band(545.0, 290.0, edge_nm=12.0),),
        "dual-7nm": (Band(oiii, 7.0), Band(ha, 7.0)),
        "dual-3nm": (Band(oiii, 3.0), Band(ha, 3.0)),
        "dual-wide": (Band(496.0, 30.0), Band(ha, 20.0)),
        "dual-sii-7nm": (Band(oiii, 7.0), Band(sii, 7.0)),
        "tri-band": (Band(hbeta, 8.0), Band(oiii, 8.0), Band(ha, 10.0)),
        "quad-band": (Band(492.0, 24.0), Band(664.5, 28.0)),
        "halpha-7nm": (Band(ha, 7.0),),
        "oiii-7nm": (Band(oiii, 7.0),),
        "sii-7nm": (Band(sii, 7.0),),
        "wheel-red": (Band(645.0, 110.0, edge_nm=10.0),),
        "wheel-green": (Band(540.0, 90.0, edge_nm=10.0),),
        "wheel-blue": (Band(450.0, 100.0, edge_nm=10.0),),
    }
    designs = {name: Filter(name, found) for name, found in bands.items()}
    return {**designs, "none": Filter("none", source="nothing in front of the sensor")}


FILTERS = _designs()


def named_filter(name: str) -> Filter:
    """A filter that comes with the program.

    Raises
    ------
    InputError
        There is none of this name; the nearest one is named.
    """
    if name not in FILTERS:
        raise InputError(
            f"filter {name!r}: {nearest(name, FILTERS, 'such filter')} (a CSV file with its curve will do too)"
        )
    return FILTERS[name]


def known_filter(name: str | None) -> str | None:
    """The filter whose passbands are known by this name, however it is spelled; None where there is none.

    >>> known_filter("Dual 7nm"), known_filter("My filter")
    ('dual-7nm', None)
    """
    spelled = {re.sub(r"[^a-z0-9]", "", one.lower()): one for one in FILTERS}
    return spelled.get(re.sub(r"[^a-z0-9]", "", (name or "").lower()))
