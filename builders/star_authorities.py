"""Write tests/authorities/star_colours/ from reference libraries: magnitudes of stars through cameras, V of skies.

Usage: python builders/star_authorities.py EXOSIMS

In an environment of its own with synphot 1.8.0, speclite 1.0.0 and galsim 2.8.5; EXOSIMS as for
``builders/star_spectra.py``, whose source spectra are read here as they are. Nothing of Fourlight is imported.
"""

import csv
import sys
from pathlib import Path

import galsim
import numpy as np
from astropy import units as u
from astropy.io import fits
from speclite.filters import load_filter
from synphot import Observation, SourceSpectrum, SpectralElement
from synphot.models import BlackBody1D, Empirical1D

ROOT = Path(__file__).parent.parent
TABLES = ROOT / "src" / "fourlight" / "sensor" / "tables"
OUT = ROOT / "tests" / "authorities" / "star_colours"
STARS = ("B3V", "B9V", "A0V", "A5V", "F5V", "G2V", "K0V", "G8III", "K0III", "K3III", "M0III")
BINS = np.arange(3500.0, 9000.0, 2.0)
V0_PHOTONS_550 = 9988.0
"""Photons s-1 cm-2 nm-1 at 550 nm that the simulator calls V = 0."""
SKIES = (4400, 8000)


def element(wave_aa: np.ndarray, curve: np.ndarray) -> SpectralElement:
    """A throughput per photon that is zero outside of its table."""
    wave = np.concatenate([[wave_aa[0] - 1e-3], wave_aa, [wave_aa[-1] + 1e-3]]) * u.AA
    return SpectralElement(Empirical1D, points=wave, lookup_table=np.concatenate([[0.0], curve, [0.0]]))


def johnson_v() -> SpectralElement:
    """V of Bessell (1990), whose table is for energies: over the wavelength it is one for photons."""
    band = load_filter("bessell-V")
    wave = np.arange(4600.0, 7500.0, 5.0)
    curve = np.interp(wave, band.wavelength, band.response, left=0, right=0)
    return element(wave, curve / wave)


def vega() -> SourceSpectrum:
    wave, flux = np.loadtxt(Path(galsim.meta_data.share_dir) / "SEDs" / "vega.txt").T
    return SourceSpectrum(
        Empirical1D, points=wave * 10 * u.AA, lookup_table=flux / 10 * u.erg / u.s / u.cm**2 / u.AA
    )


def ab(source: SourceSpectrum, band: SpectralElement) -> float:
    return float(Observation(source, band, binset=BINS * u.AA).effstim(u.ABmag).value)


def main(folder: str) -> None:
    spectra = Path(folder) / "EXOSIMS" / "TargetList" / "dat_uvk"
    kinds = {kind.strip(): file.strip() for file, kind in fits.getdata(spectra / "pickles_uk.fits", 1)}
    v_band = johnson_v()
    zero = ab(vega(), v_band) - 0.03
    bands = {}
    for table in sorted(TABLES.glob("*.csv")):
        data = np.loadtxt(table, delimiter=",", skiprows=1)
        for colour, curve in zip("RGB", data[:, 1:].T / 100.0, strict=True):
            bands[table.stem, colour] = element(data[:, 0] * 10, curve)
    rows: list[list[object]] = [["type", "table", "colour", "ab_less_v"]]
    for kind in STARS:
        data = fits.getdata(spectra / f"{kinds[kind]}.fits", 1)
        source = SourceSpectrum(
            Empirical1D, points=data["WAVELENGTH"] * u.AA,
            lookup_table=np.asarray(data["FLUX"], dtype=float) * u.erg / u.s / u.cm**2 / u.AA,
        )  # fmt: skip
        v = ab(source, v_band) - zero
        rows += [[kind, *key, f"{ab(source, band) - v:.4f}"] for key, band in bands.items()]
    skies: list[list[object]] = [["kelvin", "v_of_v0_at_550"]]
    for kelvin in SKIES:
        body = SourceSpectrum(BlackBody1D, temperature=kelvin * u.K)
        at = float(body(5500 * u.AA).value) * 10.0  # photons s-1 cm-2 nm-1
        skies.append([kelvin, f"{ab(body * (V0_PHOTONS_550 / at), v_band) - zero:.4f}"])
    for name, table in (("magnitudes.csv", rows), ("skies.csv", skies)):
        with (OUT / name).open("w", newline="", encoding="utf-8") as stream:
            csv.writer(stream, lineterminator="\n").writerows(table)
        print(f"wrote {name}, {len(table) - 1} rows")


if __name__ == "__main__":
    main(*sys.argv[1:])
