"""How near a measured camera comes to the truth that was put in, and whether its errors say so.

Run as ``python benchmarks/camera.py [--seeds N] [--whole N] [--write]``; ``--write`` puts the tables into
docs/photon-transfer.md. Simulated flats and bias frames of seeds that nothing was tuned on; each seed is a sensor of
its own. ``--whole`` cameras with all of their faults, each drawn, with darks too.
"""

import argparse
import re
import tempfile
from pathlib import Path

import numpy as np

from fourlight.engine import Silent
from fourlight.pipeline.camera import measured_camera
from fourlight.sensor.profile import Profile
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.camera_results import profile_of

PAGE = Path(__file__).parent.parent / "docs" / "photon-transfer.md"
FIRST_SEED = 7300

SCENE = """
seed = {seed}
[object]
kind = "none"
[stars]
count = 0
cluster_count = 0
[camera]
width_px = 480
height_px = 320
gain_e_per_adu = {gain}
read_noise_e = {read}
offset_adu = {offset}
full_well_e = {well}
[calibration]
flats = 4
flat_levels = [0.05, 0.15, 0.3, 0.5]
flat_drift = {drift}
bias = 16
[[nights]]
count = 1
"""
CASES = (
    ("0.8 e/ADU, 1.6 e", {"gain": 0.8, "read": 1.6, "offset": 500.0, "well": 50000.0, "drift": 0.0}),
    ("the same, lamp drifts 1 % a flat", {"gain": 0.8, "read": 1.6, "offset": 500.0, "well": 50000.0, "drift": 0.01}),
    ("0.25 e/ADU, 3 e", {"gain": 0.25, "read": 3.0, "offset": 200.0, "well": 15000.0, "drift": 0.001}),
    ("4 e/ADU, 1.5 e, level on a step", {"gain": 4.0, "read": 1.5, "offset": 500.0, "well": 50000.0, "drift": 0.001}),
    ("4 e/ADU, 1.5 e, between two steps", {"gain": 4.0, "read": 1.5, "offset": 500.5, "well": 50000.0, "drift": 0.001}),
)  # fmt: skip


WHOLE = """
seed = {seed}
exposure_s = 300.0
[object]
kind = "none"
[stars]
count = 0
cluster_count = 0
[optics]
dust_motes = 0
[camera]
width_px = 480
height_px = 320
gain_e_per_adu = {gain}
read_noise_e = {read}
full_well_e = {well}
bend = {bend}
dark_e_per_s = {dark}
dark_doubling_c = {doubling}
glow_e_per_s = {glow}
glow_px = {reach}
hot_share = {hot}
prnu = {prnu}
[calibration]
flats = 4
flat_levels = [0.03, 0.08, 0.15, 0.3, 0.5, 0.65]
bias = 16
darks = 4
dark_temperatures_c = [-15.0, -5.0, 5.0, 15.0]
[[nights]]
count = 1
"""
SPREAD = 0.15
"""Of the logarithm of the dark current from sample to sample in the simulator, where the current that is put in is the
median."""
COVERED = ("gain", "read_noise", "dark_current", "dark_doubling", "prnu_usual")


def measured(seed: int, case: dict[str, float]) -> Profile:
    """Profile of one simulated camera."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulate(loads(SCENE.format(seed=seed, **case)), folder / "s")
        return profile_of(measured_camera(folder / "s/flats", folder / "s/bias", None, None, Silent()))


def row(label: str, case: dict[str, float], seeds: int, first: int) -> str:
    """One line of the table: largest and usual deviation, and scatter in units of the claimed error."""
    cells = [label]
    profiles = [measured(first + k, case) for k in range(seeds)]
    for name, true in (("gain", case["gain"]), ("read_noise", case["read"])):
        whole = [profile.quantities[name] for profile in profiles]
        parts = [place[name] for profile in profiles for place in profile.places.values()]
        off = np.array([100 * (q.value / true - 1) for q in whole])
        pulls = [
            np.array([(q.value - true) / (q.error or np.inf) for q in found]) for found in (whole, parts)
        ]
        cells += [f"{off.mean():+.3f}", f"{off.std(ddof=1):.3f}", f"{np.abs(off).max():.3f}"]
        cells += [f"{np.sqrt((p**2).mean()):.2f}" for p in pulls]
    line = f"| {' | '.join(cells)} |"
    print(line, flush=True)
    return line


def drawn(seed: int) -> dict[str, float]:
    """A camera with all of its faults."""
    rng = np.random.default_rng(seed)
    gain = float(np.exp(rng.uniform(np.log(0.3), np.log(2.0))))
    return {
        "seed": seed, "gain": gain, "read": float(rng.uniform(1.2, 5.0)) * max(gain, 1.0), "well": 60000 * gain,
        "bend": float(rng.choice([0.0, rng.uniform(0.0, 0.02)])),
        "dark": float(np.exp(rng.uniform(np.log(0.002), -3.0))),
        "doubling": float(rng.uniform(5.0, 8.0)), "glow": float(rng.choice([0.0, rng.uniform(0.0, 0.03)])),
        "reach": float(rng.uniform(20.0, 100.0)), "hot": float(rng.uniform(1e-4, 2e-3)),
        "prnu": float(rng.uniform(0.004, 0.01)),
    }  # fmt: skip


def whole(seed: int) -> dict[str, tuple[float, float]]:
    """Of one camera: part by which each quantity is off, and that over its claimed error."""
    camera = drawn(seed)
    coldest = 2.0 ** ((-15.0 + 10.0) / camera["doubling"])
    true = {
        "gain": camera["gain"], "read_noise": camera["read"], "dark_doubling": camera["doubling"],
        "dark_current": camera["dark"] * float(np.exp(SPREAD**2 / 2)) * coldest, "prnu_usual": 100 * camera["prnu"],
    }  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "s"
        simulate(loads(WHOLE.format(**camera)), place)
        found = profile_of(
            measured_camera(place / "flats", place / "bias", place / "darks", None, Silent())
        ).quantities
    return {
        key: (found[key].value / true[key] - 1, (found[key].value - true[key]) / (found[key].error or np.inf))
        for key in COVERED
        if key in found and not found[key].bound
    }


def coverage(count: int, first: int) -> list[str]:
    """Lines of the table on whole cameras."""
    found = [whole(first + 1000 + k) for k in range(count)]
    rows = [
        "| quantity | cameras | mean off, % | scatter, % | most, % | rms pull | within two errors |",
        "|---|" + "---|" * 6,
    ]
    for key in COVERED:
        off, pull = np.array([each[key] for each in found if key in each]).T
        inside = 100 * float((np.abs(pull) < 2).mean())
        rows.append(
            f"| {key.replace('_', ' ')} | {len(off)} | {100 * off.mean():+.2f} | {100 * off.std(ddof=1):.2f} "
            f"| {100 * np.abs(off).max():.2f} | {np.sqrt((pull**2).mean()):.2f} | {inside:.0f} % |"
        )
    print("\n".join(rows), flush=True)
    return rows


def put(name: str, lines: list[str]) -> None:
    """Put a table into the page, where there is one."""
    if lines:
        text, table = PAGE.read_text(encoding="utf-8"), "\n".join(lines)
        marks = rf"(<!-- {name}: table -->\n).*?(<!-- {name}: end -->)"
        text = re.sub(marks, lambda found: f"{found[1]}{table}\n{found[2]}", text, flags=re.S)
        PAGE.write_text(text, encoding="utf-8")


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=16)
    parser.add_argument("--first", type=int, default=FIRST_SEED)
    parser.add_argument("--whole", type=int, default=100)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    drawn_rows = coverage(options.whole, options.first) if options.whole else []
    rows = [row(label, case, options.seeds, options.first) for label, case in CASES] if options.seeds else []
    if options.write:
        head = [
            (
                f"| camera ({options.seeds} seeds each) | gain: mean off, % | scatter, % | most, % | pulls | of places "
                "| read noise: mean off, % | scatter, % | most, % | pulls | of places |"
            ),
            "|---|---|---|---|---|---|---|---|---|---|---|",
        ]
        for name, lines in (("camera", [*head, *rows] if rows else []), ("whole", drawn_rows)):
            put(name, lines)


if __name__ == "__main__":
    main()
