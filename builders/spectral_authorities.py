"""Write tests/authorities/spectral/ from reference libraries: bands by synphot, lines by PyNeb.

Run as ``python builders/spectral_authorities.py`` in an environment of its own with synphot 1.8.0 (BSD 3-Clause) and
PyNeb 1.1.32 (GPL, run here only to write down its numbers). Nothing of Fourlight is imported.
"""

import csv
from pathlib import Path

import numpy as np
import pyneb
from astropy import units as u
from synphot import Observation, SourceSpectrum, SpectralElement
from synphot.models import BlackBody1D, Empirical1D

ROOT = Path(__file__).parent.parent
TABLES = ROOT / "src" / "fourlight" / "sensor" / "tables"
OUT = ROOT / "tests" / "authorities" / "spectral"
TEMPERATURES = (3000, 5772, 10000)
AREA = 1.0 * u.cm**2


def band(wave_nm: np.ndarray, curve: np.ndarray) -> SpectralElement:
    """A throughput per photon; ends at zero right beside the table, as synphot wants."""
    wave = np.concatenate([[wave_nm[0] - 1e-6], wave_nm, [wave_nm[-1] + 1e-6]]) * u.nm
    return SpectralElement(Empirical1D, points=wave, lookup_table=np.concatenate([[0.0], curve, [0.0]]))


def bands() -> list[list[object]]:
    rows = []
    for table in sorted(TABLES.glob("*.csv")):
        data = np.loadtxt(table, delimiter=",", skiprows=1)
        for colour, curve in zip("RGB", data[:, 1:].T / 100.0, strict=True):
            element = band(data[:, 0], curve)
            counts = [
                Observation(
                    SourceSpectrum(BlackBody1D, temperature=t * u.K), element, binset=np.arange(3800, 8001) * u.AA
                ).countrate(AREA, binned=False).value
                for t in TEMPERATURES
            ]  # fmt: skip
            numbers = [element.pivot(), element.avgwave(), element.equivwidth(), element.rectwidth()]
            nm = [f"{value.to_value(u.nm):.4f}" for value in numbers]
            rows.append([table.stem, colour, *nm, *(f"{count:.6e}" for count in counts)])
    return rows


def lines() -> list[list[object]]:
    places = {"oiii": ("O", 3, 4, 3), "oiii_weak": ("O", 3, 4, 2), "nii": ("N", 2, 4, 3), "nii_weak": ("N", 2, 4, 2),
              "sii": ("S", 2, 3, 1), "sii_strong": ("S", 2, 2, 1)}  # fmt: skip
    rows: list[list[object]] = []
    for name, (element, stage, high, low) in places.items():
        atom = pyneb.Atom(element, stage)
        rows.append([f"{name} air nm", f"{atom.wave_Ang[high - 1, low - 1] / 10:.4f}"])
    atoms = {"[OIII] 5007/4959": (("O", 3), 5007, 4959), "[NII] 6584/6548": (("N", 2), 6584, 6548)}
    for name, (key, one, other) in atoms.items():
        atom = pyneb.Atom(*key)
        ratio = atom.getEmissivity(1e4, 100, wave=one) / atom.getEmissivity(1e4, 100, wave=other)
        rows.append([name, f"{ratio:.4f}"])
    sulphur = pyneb.Atom("S", 2)
    for density in (1, 100, 100000):
        ratio = sulphur.getEmissivity(1e4, density, wave=6716) / sulphur.getEmissivity(
            1e4, density, wave=6731
        )
        rows.append([f"[SII] 6716/6731 at {density} per cm3", f"{ratio:.4f}"])
    hydrogen = pyneb.RecAtom("H", 1)
    for kelvin in (5000, 10000, 20000):
        ratio = hydrogen.getEmissivity(kelvin, 100, label="3_2") / hydrogen.getEmissivity(
            kelvin, 100, label="4_2"
        )
        rows.append([f"Halpha/Hbeta at {kelvin} K", f"{float(ratio):.4f}"])
    return rows


def main() -> None:
    head = ["table", "colour", "pivot_nm", "mean_nm", "equivalent_nm", "rectangular_nm"]
    tables = {
        "bands.csv": [[*head, *(f"black_body_{t}" for t in TEMPERATURES)], *bands()],
        "lines.csv": [["quantity", "value"], *lines()],
    }
    for name, rows in tables.items():
        with (OUT / name).open("w", newline="", encoding="utf-8") as stream:
            csv.writer(stream, lineterminator="\n").writerows(rows)
        print(f"wrote {name}, {len(rows) - 1} rows")


if __name__ == "__main__":
    main()
