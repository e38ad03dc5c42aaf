"""Zero points, white, sky brightness and mosaic of simulated fields of the catalogue, against what was put in.

Usage: python benchmarks/star_colours.py [FIELDS] [FIRST SEED]; prints the tables of docs/star-colours.md.

Fields are anywhere on the sky, with the catalogue's stars and errors as usual, spectra that the calibration does not
know one by one, dust before them, two nights under different skies, one of the cameras behind a broad filter, any
mosaic; every other one is calibrated with the camera named. White is held against a star of the Sun's B-V that is
drawn anew for each field, as its own stars are: spectrum, dust and kind.
"""

from __future__ import annotations

import csv
import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.core.abmag import ab_magnitudes
from fourlight.core.cfa import PATTERNS
from fourlight.core.horizon import altitude_deg, sidereal_deg
from fourlight.core.moonlight import dark_nl, magnitude, moon_nl
from fourlight.core.spectra import black_body
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.sensor.response import WAVE_NM
from fourlight.simulate.catalogue_stars import star_rates
from fourlight.simulate.light import throughput
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads
from fourlight.sky.starcolours import SUN_B_V, standard_colours, through
from fourlight.sky.starspectra import star_spectra

AUTHORITIES = Path(__file__).parents[1] / "tests" / "authorities" / "star_colours"
CAMERAS = ("bsi-8mp", "bsi-5mp", "slr-16mp")
FILTERS = ("uv-ir-cut", "luminance")
COLOURS = "RGB"
START = datetime(2031, 8, 14, 23, 35, tzinfo=UTC)
NORTH, EAST = 31.5, -38.0
"""Middle of the first night, and the site: as the simulator has them unless told."""
QUICK = ["evidence.channels=false", "evidence.claims=false"]


@dataclass(frozen=True)
class Field:
    """What came out of one field, less what was put in."""

    named: bool
    stars: int
    zero: dict[str, tuple[float, float]]
    """Difference and claimed error."""
    white: dict[str, tuple[float, float]]
    sky: list[tuple[str, float, float]]
    """Channel, difference and claimed error of each night."""
    mosaic: bool | None


def scene_of(seed: int) -> Scene:
    """A field anywhere, its camera and its nights."""
    random = np.random.default_rng([seed, 5])
    dec = random.uniform(-20, 75)
    ra = (sidereal_deg(START.timestamp()) + EAST + random.uniform(-30, 30)) % 360
    zenith = 90 - altitude_deg(ra, dec, NORTH, EAST, START.timestamp())
    return loads(f"""
seed = {seed}
exposure_s = 60
[object]
kind = "none"
[camera]
width_px = 640
height_px = 440
sensor = "{random.choice(CAMERAS)}"
mosaic = "{random.choice(PATTERNS)}"
[optics]
air_colour = true
focal_mm = {random.uniform(45, 60):.1f}
aperture_mm = 15.0
blur_arcsec = 28
colour_blur_arcsec = 4
guiding_arcsec = 2
[filter]
name = "{random.choice(FILTERS)}"
[site]
ra_deg = {ra:.4f}
dec_deg = {dec:.4f}
[stars]
catalogue = true
count = 1500
brightest_mag = 11.0
faintest_mag = 15.5
cluster_count = 0
[calibration]
flats = 4
bias = 4
[[nights]]
count = 5
zenith_deg = {zenith:.1f}
sky_mag = {random.uniform(19.5, 21.5):.2f}
rotation_deg = {random.uniform(-180, 180):.1f}
[[nights]]
count = 4
zenith_deg = {zenith:.1f}
sky_mag = {random.uniform(19.5, 21.5):.2f}
moon_phase_deg = {random.uniform(30, 120):.0f}
start_utc = "2031-08-20T23:40:00"
""")  # fmt: skip


def measured(seed: int, *, named: bool) -> Field | None:
    """One field; None where no plate solution was found."""
    scene = scene_of(seed)
    settings = [*QUICK, "sky.solve=auto"]
    if named:
        settings += [f"gear.camera={scene.camera.sensor}", f"gear.filter={scene.filter.name}"]
    with tempfile.TemporaryDirectory() as folder:
        simulate(scene, Path(folder) / "raw")
        found = run([Path(folder) / "raw"], Path(folder) / "out", with_settings(Recipe(), settings))
        truth = json.loads((Path(folder) / "raw" / "truth" / "truth.json").read_text())
    colour = found.get("colour")
    if colour is None or colour.get("problem"):
        print(f"seed {seed}: {found.get('sky_problem') or colour}", file=sys.stderr)
        return None
    return Field(
        named,
        colour["stars"]["used"],
        dict(_zeros(colour, truth, found, np.zeros(3) if named else _between(scene))),
        dict(_white(colour, scene, seed)),
        list(_skies(colour, truth, scene)),
        None if colour["mosaic"]["shown"] is None else colour["mosaic"]["shown"] == scene.camera.mosaic,
    )


def _zeros(
    colour: dict[str, Any], truth: dict[str, Any], found: dict[str, Any], system: np.ndarray
) -> Iterator[tuple[str, tuple[float, float]]]:
    """Of the reference light, whose transparency is in its zero point."""
    name = found["grid"]["reference"]
    clear = next(frame["transparency"] for frame in truth["frames"] if frame["file"].endswith(name))
    for k, plane in enumerate(COLOURS):
        point = colour["zero_points"][plane]
        true = truth["zero_points"][plane] + 2.5 * np.log10(clear) + system[k]
        yield plane, (point["magnitude"] - true, point["error"])


def _between(scene: Scene) -> np.ndarray:
    """Standard magnitude of a star of the Sun's colour less that through the camera itself."""
    own = through(WAVE_NM, throughput(scene).above, ("R", "G", "B"), "its own")
    return np.asarray(standard_colours().less_v(SUN_B_V) - own.less_v(SUN_B_V))


def _white(colour: dict[str, Any], scene: Scene, seed: int) -> Iterator[tuple[str, tuple[float, float]]]:
    """Against a star of the Sun's colour."""
    rate, _ = star_rates(
        throughput(scene), np.array([SUN_B_V]), star_spectra(), np.random.default_rng([seed, 6])
    )
    log = -np.log(rate[0])
    log -= log.mean()
    for k, name in enumerate(COLOURS):
        yield name, (np.log(colour["white"]["factors"][name]) - log[k], colour["white"]["error"][name])


def _skies(colour: dict[str, Any], truth: dict[str, Any], scene: Scene) -> Iterator[tuple[str, float, float]]:
    """R, G and B of the spectrum of the sky above the air, V of its brightness by synphot (tests/authorities)."""
    with (AUTHORITIES / "skies.csv").open(encoding="utf-8") as stream:
        offset = {float(row["kelvin"]): float(row["v_of_v0_at_550"]) for row in csv.DictReader(stream)}
    clearest = 2.5 * np.log10(np.percentile([frame["transparency"] for frame in truth["frames"]], 90))
    curves = throughput(scene).above
    for night, told in zip(scene.nights, colour["nights"], strict=True):
        parts = [(dark_nl(night.sky_mag, night.zenith_deg, night.extinction_mag), night.sky_temperature_k)]
        if night.moon_phase_deg is not None:
            lit = moon_nl(
                night.moon_phase_deg, night.moon_zenith_deg, night.zenith_deg, night.moon_separation_deg,
                night.extinction_mag,
            )  # fmt: skip
            parts.append((lit, night.moon_temperature_k))
        each = [(magnitude(part), kelvin) for part, kelvin in parts if part > 0]
        light = sum(black_body(WAVE_NM, kelvin) * 10 ** (-0.4 * mag) for mag, kelvin in each)
        true = dict(zip(COLOURS, ab_magnitudes(WAVE_NM, curves, light[None])[0], strict=True))
        true["V"] = -2.5 * np.log10(sum(10 ** (-0.4 * (mag + offset[kelvin])) for mag, kelvin in each))
        for name, value in told["sky"].items():
            yield name, value - true[name] - clearest, told["error"][name]


def row(what: str, pairs: list[tuple[float, float]]) -> str:
    """Mean, scatter and largest of differences, their scatter over the claimed errors, and how many these hold."""
    off, error = np.array(pairs).T
    pull = off / error
    return (
        f"| {what} | {len(off)} | {off.mean():+.3f} | {np.sqrt((off**2).mean()):.3f} | {np.abs(off).max():.3f} "
        f"| {np.median(error):.3f} | {np.sqrt((pull**2).mean()):.2f} | {np.mean(np.abs(pull) < 1):.0%} "
        f"| {np.mean(np.abs(pull) < 2):.0%} |"
    )


def tables(fields: list[Field]) -> Iterator[str]:
    yield "| what | values | mean off | rms off | most off | claimed error | rms pull | within one error | within two |"
    yield "|---|---|---|---|---|---|---|---|---|"
    for named, words in ((True, "camera named"), (False, "camera not named")):
        some = [field for field in fields if field.named is named]
        if not some:
            continue
        for name in COLOURS:
            yield row(f"zero point {name}, {words}", [field.zero[name] for field in some])
        yield row(f"white, {words}", [field.white[name] for field in some for name in COLOURS])
        for name in (*(COLOURS if named else ""), "V"):
            pairs = [(off, error) for field in some for channel, off, error in field.sky if channel == name]
            if pairs:
                yield row(f"sky in {name}, {words}", pairs)
    told = [field.mosaic for field in fields if field.mosaic is not None]
    stars = [field.stars for field in fields]
    yield ""
    yield (
        f"{len(fields)} fields, {min(stars)} to {max(stars)} stars (median {np.median(stars):.0f}); mosaic told in "
        f"{len(told)}, rightly in {sum(told)}."
    )


def main(count: int = 24, first: int = 1000) -> None:
    fields = []
    for k in range(count):
        found = measured(first + k, named=k % 2 == 0)
        if found is not None:
            fields.append(found)
            print(f"seed {first + k}: {found}", file=sys.stderr, flush=True)
    print("\n".join(tables(fields)))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
