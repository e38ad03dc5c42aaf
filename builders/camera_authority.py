"""Write tests/authorities/photon_transfer/ with the reference implementation of EMVA 1288 (release 4.0).

Run as ``python builders/camera_authority.py`` in an environment of its own with emva1288 1.0.2 (GPL, run here only to
write down its numbers) and NumPy 1.26. Nothing of Fourlight is imported. Frames are drawn here from a sensor whose
response bends; they are stored, so that no test rests on the random numbers of one version of NumPy.
"""

import json
import logging
from pathlib import Path

import numpy as np
from emva1288.process.data import Data1288
from emva1288.process.results import Results1288
from emva1288.process.routines import get_int_imgs

OUT = Path(__file__).parent.parent / "tests" / "authorities" / "photon_transfer"
SHAPE = (80, 80)
GAIN, READ_NOISE, ZERO, FULL = 1.7, 4.0, 100.0, 12000.0
LEVELS = np.array(
    [200, 500, 900, 1500, 2200, 3000, 4000, 5000, 6000, 7000, 8000, 9000, 10000, 11000, 12500, 14000]
)
EXPOSURE = 1_000_000  # ns, as the reference implementation counts it
SPATIAL = 8
"""Frames of either kind from which nonuniformity is."""


def exposed(rng: np.random.Generator, electrons: float, response: np.ndarray, dark: np.ndarray) -> np.ndarray:
    held = np.minimum(rng.poisson(electrons * response), FULL)
    held = held * (1.0 - 0.02 * held / FULL)
    return np.rint((held + dark + rng.normal(0.0, READ_NOISE, SHAPE)) / GAIN + ZERO).astype(np.uint16)


def temporal(pairs: dict[float, np.ndarray], place: tuple[int, int]) -> dict[float, dict[str, float]]:
    y, x = place
    found = {}
    for electrons, pair in pairs.items():
        got = get_int_imgs([frame[y::2, x::2] for frame in pair])
        found[electrons] = {"sum": np.sum(got["sum"]), "pvar": np.sum(got["pvar"]), "dmean": got["dmean"]}
    return found


def results(pairs: dict[float, np.ndarray], many: dict[float, np.ndarray], place: tuple[int, int]) -> dict:
    y, x = place
    data = {
        "temporal": {EXPOSURE: temporal(pairs, place)},
        "spatial": {EXPOSURE: {e: get_int_imgs([f[y::2, x::2] for f in fs]) for e, fs in many.items()}},
        "height": SHAPE[0] // 2, "width": SHAPE[1] // 2,
    }  # fmt: skip
    made = Data1288(data, loglevel=logging.ERROR).data
    found = Results1288(made, loglevel=logging.ERROR)
    part = made["temporal"]
    return {
        "photons": part["u_p"].tolist(),
        "level": (part["u_y"] - part["u_ydark"]).tolist(),
        "variance": part["s2_y"].tolist(),
        "dark_level": float(part["u_ydark"][0]),
        "dark_variance": float(part["s2_ydark"][0]),
        "gain_e_per_adu": float(found.inverse_K()),
        "saturation_index": int(found.index_u_ysat),
        "full_well_e": float(found.u_e_sat),
        "dark_noise_adu": float(found.sigma_y_dark),
        "read_noise_e": float(found.sigma_d),
        "dynamic_range": float(found.DR),
        "snr_max": float(found.SNR_max),
        "linearity_lowest_percent": float(found.LE_min),
        "linearity_highest_percent": float(found.LE_max),
        "dsnu_e": float(found.DSNU1288),
        "prnu_percent": float(found.PRNU1288),
    }


def main() -> None:
    rng = np.random.default_rng(12880)
    response = rng.normal(1.0, 0.012, SHAPE)
    dark = rng.normal(0.0, 5.0, SHAPE)
    pairs = {0.0: np.stack([exposed(rng, 0.0, response, dark) for _ in range(2)])}
    pairs |= {float(e): np.stack([exposed(rng, e, response, dark) for _ in range(2)]) for e in LEVELS}
    many = {e: np.stack([exposed(rng, e, response, dark) for _ in range(SPATIAL)]) for e in (0.0, 6000.0)}
    OUT.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(
        OUT / "frames.npz", dark=pairs[0.0], lit=np.stack([pairs[float(e)] for e in LEVELS]),
        dark_stack=many[0.0], lit_stack=many[6000.0],
    )  # fmt: skip
    told = {f"{y},{x}": results(pairs, many, (y, x)) for y in range(2) for x in range(2)}
    (OUT / "emva1288.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(told["0,0"], indent=1))


if __name__ == "__main__":
    main()
