"""Write src/fourlight/data/spectra: spectra of stars of all types, scaled to V = 0, with their colours.

Usage: python builders/star_spectra.py EXOSIMS

EXOSIMS is the unpacked source of the package ``exosims`` 3.6.6 (BSD 3-Clause), whose folder
``EXOSIMS/TargetList/dat_uvk`` holds the stellar flux library of Pickles (1998, PASP 110, 863). Passbands are those of
``speclite`` 1.0.0 (BSD 3-Clause): Bessell (1990) and Gaia EDR3. Vega is that of ``galsim`` 2.8.5 (CALSPEC
alpha_lyr_mod_001). Nothing of Fourlight is imported. It is run once: the tables are part of the program.
"""

import csv
import re
import shutil
import sys
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits
from speclite.filters import load_filter

OUT = Path(__file__).parent.parent / "src" / "fourlight" / "data" / "spectra"
KINDS = re.compile(r"(?P<metals>[wr]?)(?P<type>[OBAFGKM][\d.]+?)(?P<class>V|IV|III)$")
WAVE = np.arange(350.0, 1001.0)
FINE = np.arange(300.0, 1150.1, 0.5)
HC = 1.986445857e-9
"""h c, erg nm: 1.986445857e-16 erg cm."""
VEGA_MAG = 0.03
"""Of Vega in every band: V as Bessell (1990) has it, B-V = 0; Gaia's system has its model at 0 where V is 0."""


def vega() -> np.ndarray:
    """Flux (erg s-1 cm-2 nm-1) on FINE."""
    path = Path(galsim.meta_data.share_dir) / "SEDs" / "vega.txt"
    wave, flux = np.loadtxt(path).T
    return np.interp(FINE, wave, flux)


def bands() -> dict[str, np.ndarray]:
    """Weights of the flux on FINE; those of Bessell (1990) are for energies, those of Gaia for photons."""
    found = {}
    for name, source, photons in (
        ("B", "bessell-B", False), ("V", "bessell-V", False),
        ("G", "gaiadr3-G", True), ("BP", "gaiadr3-BP", True), ("RP", "gaiadr3-RP", True),
    ):  # fmt: skip
        band = load_filter(source)
        curve = np.interp(FINE, band.wavelength / 10, band.response, left=0, right=0)
        found[name] = curve * FINE if photons else curve
    return found


def main(source: str) -> None:
    folder = Path(source) / "EXOSIMS" / "TargetList" / "dat_uvk"
    zero, weight = vega(), bands()
    spectra, rows = [], []
    for file, kind in fits.getdata(folder / "pickles_uk.fits", 1):
        named, path = KINDS.match(kind.strip()), folder / f"{file.strip()}.fits"
        if not named or not path.exists():  # the package holds those of usual metals
            continue
        data = fits.getdata(path, 1)
        flux = np.interp(FINE, data["WAVELENGTH"] / 10, data["FLUX"])
        mag = {
            name: VEGA_MAG - 2.5 * np.log10((flux @ band) / (zero @ band)) for name, band in weight.items()
        }
        # mean over a nanometre, photons s-1 cm-2 nm-1 of a star of V = 0
        photons = flux * FINE / HC * 10 ** (0.4 * mag["V"])
        inside = [np.average(photons[abs(FINE - nm) < 0.51], weights=(0.25, 0.5, 0.25)) for nm in WAVE]
        spectra.append(inside)
        rows.append([
            named["type"], named["class"], {"": "solar", "w": "weak", "r": "rich"}[named["metals"]],
            f"{mag['B'] - mag['V']:.4f}", f"{mag['G'] - mag['V']:.4f}", f"{mag['BP'] - mag['RP']:.4f}",
        ])  # fmt: skip
    OUT.mkdir(exist_ok=True)
    np.save(OUT / "spectra.npy", (np.array(spectra) / 1e4).astype(np.float16))
    with (OUT / "spectra.csv").open("w", newline="", encoding="utf-8") as stream:
        head = ["type", "class", "metals", "b_v", "g_v", "bp_rp"]
        csv.writer(stream, lineterminator="\n").writerows([head, *rows])
    with next(Path(source).glob("LICENSE*")).open() as text, (OUT / "LICENSE.txt").open("w") as copy:
        shutil.copyfileobj(text, copy)
    print(f"{len(rows)} spectra, {np.shape(spectra)[1]} wavelengths")


if __name__ == "__main__":
    main(*sys.argv[1:])
