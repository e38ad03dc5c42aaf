"""The summary of an invented run, as the pipeline writes it."""

from __future__ import annotations

import numpy as np

NAMES = ("R", "G1", "G2", "B")


def four(*values):
    return dict(zip(NAMES, values, strict=True))


def frame(k, night, rng):
    sky = 150 if night == "2025-01-11" else 420
    return {
        "file": f"lantern_{k:03d}.fits",
        "night": night,
        "time": f"{night}T{19 + (k % 12) // 4:02d}:{15 * (k % 4):02d}:30+00:00",
        "exposure_s": 180.0,
        "filter": "dual 7 nm",
        "matrix": [[1, 0, k * 0.7], [0, 1, -k * 0.4]],
        "rms_px": 0.03 + 0.01 * rng.random(),
        "matched": 120,
        "weight": four(*(rng.random(4) * 0.1 + (1 if sky < 200 else 0.45))),
        "transparency": four(*(rng.random(4) * 0.04 + 0.9)),
        "sky": four(*(np.array([0.6, 1.0, 1.01, 0.9]) * sky * (1 + 0.02 * k))),
        "noise": four(*(np.array([0.8, 1.0, 1.01, 0.95]) * np.sqrt(sky))),
        "fwhm_px": four(*(np.array([2.4, 2.6, 2.61, 2.9]) + 0.3 * rng.random())),
        "elongation": four(1.05, 1.06, 1.05, 1.08),
        "stars": int(300 + 30 * rng.random()),
        "flags": ["bright sky"] if sky > 200 else [],
    }


def summary():
    rng = np.random.default_rng(4)
    frames = [frame(k, "2025-01-11" if k < 12 else "2025-01-19", rng) for k in range(24)]
    cloud, trailed = frames.pop(17), frames.pop(5)
    cloud["transparency"] = four(0.12, 0.12, 0.13, 0.12)
    trailed["fwhm_px"] = four(7.0, 7.1, 7.2, 7.4)
    return {
        "fourlight": "0.1.0",
        "unit": "electron",
        "object": "Lantern Nebula",
        "grid": {"ny": 1000, "nx": 1500, "reference": "lantern_003.fits"},
        "scale_arcsec_px": 1.94,
        "mosaic": {
            "pattern": "GBRG",
            "source": "pixels",
            "stated": "RGGB",
            "contradiction": "The header says RGGB, but the greens agree with each other only as GBRG",
            "evidence": "the greens lie on [0,0] and [1,1] at 88 sigma (levels 88 sigma, 300 stars 20 sigma)",
            "stated_by": "BAYERPAT",
            "sigma": 88.0,
        },
        "noise": {
            "gain_e_per_adu": 0.2512,
            "gain_source": "lights",
            "read_noise_e": 1.52,
            "read_noise_source": "lights",
            "pedestal_adu": 500.0,
            "pedestal_source": "bias",
        },
        "calibration": {
            "offset_taken_off": {"bias": 24},
            "calibration_frames": {
                "dark": {"usable": 0, "in_masters": 0},
                "flat": {"usable": 0, "in_masters": 0},
                "bias": {"usable": 20, "in_masters": 20},
                "darkflat": {"usable": 0, "in_masters": 0},
            },
            "masters": {"20 bias frames (-10 C)": 20},
            "lights_with_flat": 0,
            "defective_samples": 412,
            "notes": ["No darks: defective samples were found from the lights (412 of them)."],
        },
        "integration": {
            "method": "drizzle",
            "method_source": "coverage",
            "method_reason": "1.6 red and as many blue samples fall on a pixel; least squares needs 2.5.",
            "pixfrac": 0.8,
            "pixfrac_source": "coverage",
            "pixfrac_reason": "Drops of 0.8 pixels cover the red and blue planes of 22 frames without holes.",
            "rejected_share": four(0.0021, 0.0023, 0.0022, 0.0019),
            "noise_correlation": four(0.62, 0.8, 0.8, 0.63),
            "total_exposure_s": 22 * 180.0,
            "weights_for": "extended",
            "effective_exposure_s": four(3100.0, 3240.0, 3240.0, 3000.0),
            "effective_frames": four(18.0, 18.2, 18.2, 17.8),
        },
        "planes": {
            name: {
                "sky": sky,
                "noise": noise,
                "fwhm_px": width,
                "share_of_electrons": share,
                "share_of_object_electrons": own,
                "samples_median": samples,
            }
            for name, sky, noise, width, share, own, samples in zip(
                NAMES,
                (141.2, 233.0, 234.1, 208.5),
                (4.9, 4.1, 4.12, 6.6),
                (2.53, 2.71, 2.72, 3.02),
                (0.173, 0.285, 0.286, 0.256),
                (0.52, 0.19, 0.19, 0.10),
                (4.6, 4.6, 4.6, 4.5),
                strict=True,
            )
        },
        "frames": frames,
        "set_aside": [
            {
                "file": trailed["file"],
                "stage": "measure",
                "reason": "stars are trailed: elongation 2.6, needed below 1.6",
                "measured": trailed,
            },
            {
                "file": cloud["file"],
                "stage": "register",
                "reason": "12 % of the light of the reference, needed 25 %",
                "measured": cloud,
            },
            {
                "file": "lantern_009x.fits",
                "role": "light",
                "stage": "read",
                "reason": "the file ends after 1,024 of 3,002,880 bytes",
            },
            {"file": "flat_04.fits", "role": "flat", "stage": "calibrate", "reason": "flat saturates"},
            {"file": "notes.fits", "role": None, "stage": "read", "reason": "no image in it"},
        ],
        "nights": [
            {"night": "2025-01-11", "frames": 11, "exposure_s": 1980.0},
            {"night": "2025-01-19", "frames": 11, "exposure_s": 1980.0},
        ],
        "assumptions": ["Times without a zone were taken as UTC."],
        "picture": {
            "window": [0, 400, 0, 600],
            "steps": [
                {
                    "name": "gradient",
                    "file": "steps/2-gradient.jpg",
                    "notes": ["Sky: a surface of order 2 was taken off."],
                }
            ],
        },
    }


def provenance():
    return {
        "fourlight": "0.1.0",
        "python": "3.11.2",
        "platform": "linux x86_64",
        "libraries": {"numpy": "2.4.0", "scipy": "1.17.1"},
        "seed": None,
        "inputs": {f"/nights/lantern_{k:03d}.fits": f"{k:064x}" for k in range(24)},
        "recipe": {"finish": {"background": 0.09, "saturation": 1.3}, "integrate": {"pixfrac": None}},
    }
