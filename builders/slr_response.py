"""Write sensor/tables/slr_16mp.csv from the package ``colour-science`` 0.4.7 (BSD 3-Clause).

Run as ``python builders/slr_response.py``. The set is the one whose name begins with ``Nikon 5100``: measured with a
monochromator, every colour in units of its own highest value.
"""

from pathlib import Path

from colour import MSDS_CAMERA_SENSITIVITIES

TABLE = Path(__file__).parent.parent / "src" / "fourlight" / "sensor" / "tables" / "slr_16mp.csv"
DIGITS = 6


def main() -> None:
    (name,) = (key for key in MSDS_CAMERA_SENSITIVITIES if key.startswith("Nikon 5100"))
    curves = MSDS_CAMERA_SENSITIVITIES[name]
    if curves.labels != ["red", "green", "blue"]:
        raise SystemExit(
            f"columns {curves.labels} are found, red, green, blue are needed; look at the package"
        )
    rows = ["wavelength_nm,red_qe,green_qe,blue_qe"]
    for wave, values in zip(curves.wavelengths, 100.0 * curves.values, strict=True):
        rows.append(",".join([f"{wave:g}", *(f"{value:.{DIGITS}f}" for value in values)]))
    TABLE.write_text("\n".join(rows) + "\n", encoding="utf-8")
    print(f"wrote {TABLE.name}, {len(rows) - 1} rows")


if __name__ == "__main__":
    main()
