"""A folder as a run leaves it, as far as the page asks for it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

from fourlight.io.export import save_tiff, srgb_profile


def raw_light(path: Path, shape: tuple[int, int] = (500, 600)) -> Path:
    """A raw light with one star in its middle; colours of the mosaic have other levels, and other light of the star."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[: shape[0], : shape[1]]
    star = 9000 * np.exp(-((y - shape[0] // 2) ** 2 + (x - shape[1] // 2) ** 2) / 8)
    gain = np.where(y % 2 == x % 2, np.where(y % 2, 0.5, 1.5), 1.0)
    samples = rng.normal(500 + gain * (300 + star), 10 * gain)
    path.parent.mkdir(parents=True, exist_ok=True)
    header = fits.Header({"BAYERPAT": "RGGB", "EXPTIME": 120.0, "IMAGETYP": "light"})
    fits.writeto(path, np.clip(samples, 0, 65535).astype(np.uint16), header)
    return path


NIGHT_LIGHTS = 24
"""Lights of an invented night."""


def write_lights(folder: Path, count: int, raw: Path | None = None) -> Path:
    """Results of a run of so many invented lights, one in twelve of them set aside, which has no weight.

    ``raw`` is the raw frame of the first light; those of the others are gone.
    """
    write_results(folder)
    rows = [
        _light(k, raw if k == 0 and raw else folder.parent / "gone" / f"sub_{k:04d}.fits")
        for k in range(count)
    ]
    aside = [
        {
            "file": row["file"], "path": row["path"], "role": "light", "stage": "judge",
            "measured": {name: value for name, value in row.items() if name != "weight"},
            "reason": f"trailed: stars {row['elongation']['G1']:.1f} times as long as wide, 1.0 is usual",
        }
        for row in rows[11::12]
    ]  # fmt: skip
    used = [row for k, row in enumerate(rows) if k % 12 != 11]
    facts = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    facts |= {"unit": "electron", "frames": used, "set_aside": aside}
    (folder / "summary.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder


def _light(k: int, path: Path) -> dict[str, object]:
    rng = np.random.default_rng(k)
    night, minute = 1 + k // NIGHT_LIGHTS, 11 * (k % NIGHT_LIGHTS)
    day = np.datetime64("2031-03-01") + night
    time = np.datetime64(f"{day}T20:05:00") + np.timedelta64(minute, "m")
    trailed = k % 12 == 11

    def four(value: float, scatter: float = 0.01) -> dict[str, float]:
        return {name: round(value * (1 + scatter * rng.normal()), 4) for name in ("R", "G1", "G2", "B")}

    return {
        "file": f"night{night}/sub_{k:04d}.fits",
        "path": str(path),
        "night": str(day),
        "time": f"{time}+00:00",
        "exposure_s": 300.0 if night % 2 else 180.0,
        "filter": "luminance" if night % 3 else "dual-7nm",
        "fwhm_px": four(2.4 + 0.4 * np.sin(k / 9) + 2.5 * trailed),
        "elongation": four(2.6 if trailed else 1.05),
        "sky": four(150 + 90 * (night % 3) + 0.2 * minute),
        "noise": four(13.0),
        "stars": int(1900 - 300 * (night % 3) + 40 * rng.normal()),
        "transparency": four(0.97 - 0.2 * (k % 17 == 3)),
        "weight": four(0.9, 0.05),
        "flags": ["bright sky"] if night % 3 == 2 else [],
    }


STRIP = 1024
"""Rows."""


def write_results(folder: Path, shape: tuple[int, int] = (700, 900)) -> Path:
    """What a run leaves, as far as the page asks for it: planes with a star on an even sky.

    Noise of a large stack is a strip of it over and over.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    y, x = np.ogrid[: shape[0], : shape[1]]
    star = 4e4 * (np.exp(-((y - 200) ** 2) / 18) * np.exp(-((x - 300) ** 2) / 18)).astype(np.float32)
    units = [fits.PrimaryHDU()]
    for k, name in enumerate("RGB"):
        strip = rng.normal(400 + 10 * k, 5, (min(shape[0], STRIP), shape[1])).astype(np.float32)
        units.append(fits.ImageHDU(np.resize(strip, shape) + np.float32(k + 1) * star, name=name))
        units[-1].header["BUNIT"] = "electron"
    fits.HDUList(units).writeto(folder / "stack.fits", overwrite=True)
    save_tiff(np.zeros((4, 6, 3), np.float32), folder / "picture.tif", srgb_profile())
    facts = {
        "frames": [{"file": "light_1.fits"}],
        "set_aside": [],
        "grid": {},
        "picture": {},
        "to_know": ["Nothing."],
    }
    (folder / "summary.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder


def write_evidence(folder: Path) -> Path:
    """Results with shares of two regions, widths, two claims and some figures."""
    write_results(folder)
    whole = {"R": 0.2766, "G": 0.5483, "G1": 0.2748, "G2": 0.2735, "B": 0.1751}
    parts = {
        name: {"value": value, "low": value - 0.001, "high": value + 0.001} for name, value in whole.items()
    }
    size = {name: {"value": 2.0, "low": 1.9, "high": 2.1, "arcsec": None} for name in whole}
    detail = {
        name: {"value": 6.0, "low": 5.9, "high": 6.1, "arcsec": None, "at_limit": False, "reason": None}
        for name in whole
    }
    kinds = ("electrons", "luminance", "information", "detail")
    channels = {
        "lights": 23, "nights": 2, "scope": "these frames", "balance": {}, "light": {}, "common": {}, "measured": {},
        "ratios": {}, "notes": ["Faint light fills the field."], "cause": "Blue stars are wider than green ones.",
        "regions": {"object": {"share_of_stack": 0.7}, "stars": {}}, "width": size, "resolution": detail,
        "shares": {kind: {"object": parts, "stars": parts} for kind in kinds},
    }  # fmt: skip
    claims = [
        {
            "claim": name, "name": name, "part": "", "question": "Is it so?", "effect": 0.5, "low": 0.4, "high": 0.6,
            "verdict": verdict, "scope": "these frames",
            "sentence": f"{verdict.capitalize()} for these frames: G holds 0.525 of the information.",
        }
        for name, verdict in (("more subs help", "supported"), ("green is idle", "contradicted"))
    ]  # fmt: skip
    (folder / "channels.json").write_text(json.dumps(channels), encoding="utf-8")
    (folder / "claims.json").write_text(json.dumps(claims), encoding="utf-8")
    (folder / "figures").mkdir(exist_ok=True)
    picture = Image.fromarray(np.tile(np.arange(0, 240, 6, dtype=np.uint8)[:, None, None], (1, 40, 3)))
    for name in ("shares.png", "without-green.png", "without-green.webp"):
        picture.save(folder / "figures" / name)
    (folder / "figures" / "shares.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg"/>', encoding="utf-8"
    )
    return folder


def write_halves(folder: Path, light: dict[str, float] | None = None, *, hole: bool = False) -> Path:
    """Results with a stack of four planes and its halves: even light on a sky of 100, noise of 5 in the stack.

    ``hole`` leaves everything but a rim without a value.
    """
    write_results(folder)
    light = light or {"R": 40.0, "G1": 60.0, "G2": 60.0, "B": 20.0}
    rng = np.random.default_rng(17)
    shape = (700, 900)
    stack, halves = [fits.PrimaryHDU()], [fits.PrimaryHDU()]
    for name, above in light.items():
        both = rng.normal(100 + above, 5 * np.sqrt(2), (2, *shape)).astype(np.float32)
        if hole:
            both[:, 10:, 10:] = np.nan
        stack.append(fits.ImageHDU(both.mean(axis=0), name=name))
        halves += [
            fits.ImageHDU(half, name=f"{name}_{letter}") for letter, half in zip("AB", both, strict=True)
        ]
    stack.append(fits.ImageHDU((stack[2].data + stack[3].data) / 2, name="G"))
    fits.HDUList(stack).writeto(folder / "stack.fits", overwrite=True)
    fits.HDUList(halves).writeto(folder / "halves.fits", overwrite=True)
    facts = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    facts |= {"unit": "electron", "planes": {name: {"sky": 100.0} for name in light}}
    (folder / "summary.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder


def write_white(folder: Path) -> Path:
    """Results whose object is white by the picture of the run: its light is as 1 to 2 to 3, on three skies."""
    write_results(folder)
    rng = np.random.default_rng(19)
    y, x = np.mgrid[:700, :900]
    glow = 300 * np.exp(-((y - 350) ** 2 + (x - 450) ** 2) / (2 * 150**2))
    skies = {"R": 400.0, "G": 900.0, "B": 150.0}
    units = [fits.PrimaryHDU()]
    for k, (name, sky) in enumerate(skies.items()):
        light = sky + (k + 1) * glow + rng.normal(0, 5, glow.shape)
        units.append(fits.ImageHDU(light.astype(np.float32), name=name))
    fits.HDUList(units).writeto(folder / "stack.fits", overwrite=True)
    facts = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    facts["planes"] = {name: {"sky": sky, "noise": 5.0} for name, sky in skies.items()}
    facts["picture"] = {"honesty": {"colour": {"gains": [1.0, 1 / 2, 1 / 3]}}}
    (folder / "summary.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder
