"""What-ifs of a simulated run: against the bright sky simulated directly, and what is written where."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import InputError, OutputError
from fourlight.frames import RawFrame
from fourlight.io.scan import scan
from fourlight.pipeline import whatif, whatif_lights
from fourlight.pipeline.finished import finished_run
from fourlight.pipeline.run import run
from fourlight.pipeline.whatif import Asked, what_if
from fourlight.pipeline.whatif_sky import Stated
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.exposure import expected_light
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world
from fourlight.stages.whatif_sky import SkyWish
from plain_runs import PLAIN

SCENE = """
seed = 11
exposure_s = 120.0
[object]
kind = "disc"
size = 0.5
[stars]
count = 90
cluster_count = 0
[camera]
width_px = 320
height_px = 240
[calibration]
darks = 12
flats = 16
bias = 12
[[nights]]
count = 6
gradient = 0.0
transparency_scatter = 0.0
sky_mag = {sky}
"""
DARK, BRIGHT = 21.3, 18.8
FACTOR = 10 ** (0.4 * (DARK - BRIGHT))
"""Pogson: ten times the light for 2.5 magnitudes."""
SETTINGS = [
    "registration.reference=light_0001.fits", "integrate.method=drizzle", "integrate.pixfrac=0.9", *PLAIN
]  # fmt: skip


def scene(sky: float) -> Scene:
    return loads(SCENE.format(sky=sky))


@pytest.fixture(scope="module")
def skies(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw frames of both skies, and a run of each."""
    root = tmp_path_factory.mktemp("skies")
    for name, sky in (("dark", DARK), ("bright", BRIGHT)):
        simulate(scene(sky), root / name)
        run([root / name], root / f"out-{name}", with_settings(Recipe(), SETTINGS))
    return root


@pytest.fixture(scope="module")
def added(skies: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, Any]]]:
    """The dark lights under the bright sky, by its magnitude."""
    before = state_of(skies)
    target = tmp_path_factory.mktemp("what") / "if"
    facts = what_if(skies / "out-dark", target, Asked(SkyWish(mag=BRIGHT), stated=Stated(DARK)))
    yield target, facts
    assert state_of(skies) == before, "raw frames or results of the run were changed"


def state_of(root: Path) -> dict[str, str]:
    """Contents of raw frames and results; work files of the run are its own."""
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file() and "work" not in path.relative_to(root).parts
    }


def test_samples_are_those_that_the_bright_sky_gives(skies: Path, added: tuple[Path, dict[str, Any]]) -> None:
    """Light and noise of raw samples against the simulator's expectation of the bright sky: 1.5 % and 2 %.

    The expectation needs no run and no gain of ours. Full, hot and dead samples and particles are left out.
    """
    bright = scene(BRIGHT)
    plans = plan_lights(bright, throughput(bright))
    world = build_world(bright, plans)
    camera = bright.camera
    dark_e = world.detector.dark_e(bright.exposure_s, camera.temperature_c)
    pulls, levels = [], []
    for plan, path in zip(plans, sorted((added[0] / "lights").glob("*.fits")), strict=True):
        mean = expected_light(world, plan) * world.detector.sensitivity + dark_e
        electrons = (fits.getdata(path, 1).astype(float) - camera.offset_adu) * camera.gain_e_per_adu
        use = (mean < 3000) & (world.detector.sensitivity > 0.6) & (dark_e < 5)
        pull = ((electrons - mean) / np.sqrt(mean + camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12))[
            use
        ]
        pull = pull[np.abs(pull) < 5]
        levels.append(float(electrons[use].sum() / mean[use].sum()))
        pulls.append(float(pull.std()))
    assert np.mean(levels) == pytest.approx(1, abs=0.015)
    assert np.mean(pulls) == pytest.approx(1, abs=0.02)


def test_frames_and_stack_have_the_noise_of_the_bright_sky(
    skies: Path, added: tuple[Path, dict[str, Any]]
) -> None:
    """Noise of samples as the run measures it within 2 %, and VAR of the stack in units of equal light within 4 %.

    Ninety stars of six lights tell that unit to 1.5 % in each of two stacks; stacks of more lights are compared in
    benchmarks/whatif.py.
    """
    one, two = (
        json.loads((folder / "summary.json").read_text())
        for folder in (skies / "out-bright", added[0] / "run")
    )
    for plane in ("R", "G1", "G2", "B"):
        noise = [np.mean([frame["noise"][plane] for frame in each["frames"]]) for each in (one, two)]
        assert noise[1] == pytest.approx(noise[0], rel=0.02)
        sky = [np.mean([frame["sky"][plane] for frame in each["frames"]]) for each in (one, two)]
        assert sky[1] == pytest.approx(sky[0], rel=0.02)
        unit = [np.mean([frame["transparency"][plane] for frame in each["frames"]]) for each in (one, two)]
        stack = [each["planes"][plane]["noise"] * light for each, light in zip((one, two), unit, strict=True)]
        assert stack[1] == pytest.approx(stack[0], rel=0.04)


def test_the_cost_told_is_that_of_the_direct_simulation(
    skies: Path, added: tuple[Path, dict[str, Any]]
) -> None:
    """SNR of faint light falls by the noise that both skies have by the CCD equation; told with its interval.

    Some 2,500 blocks tell the noise of each stack to 1.4 %, ninety stars their unit to 2 %: four times both.
    """
    facts = added[1]
    assert facts["sky"]["factor"]["G1"] == pytest.approx(FACTOR, rel=0.02)
    with finished_run(skies / "out-dark") as found:
        sky = facts["sky"]["measured_e"]
        read = found.calibration.noise.read_noise_e
        assert read
    for colour, plane in (("R", "R"), ("G", "G1"), ("B", "B")):
        level = sky[plane]
        expected = np.sqrt((level + read**2) / (FACTOR * level + read**2))
        told = facts["channels"][colour]["faint"]
        assert told["low"] - 0.02 < expected < told["high"] + 0.02
        assert told["ratio"] == pytest.approx(expected, rel=0.12)
        same = told["hours_for_the_same"]["value"]
        assert same == pytest.approx(facts["hours"]["after"] / told["ratio"] ** 2)


def test_all_is_written_where_it_belongs(added: tuple[Path, dict[str, Any]]) -> None:
    target, facts = added
    assert {path.name for path in target.iterdir()} == {
        ".fourlight", "lights", "run", "whatif.html", "whatif.json", "whatif.png",
    }  # fmt: skip
    assert json.loads((target / "whatif.json").read_text())["asked"]["mag"] == BRIGHT
    assert facts["lights"]["with_added_light"] == 6
    report = (target / "run" / "report.html").read_text(encoding="utf-8")
    assert "what-if, not a night" in report


def test_new_lights_say_all_that_the_old_ones_said(skies: Path, added: tuple[Path, dict[str, Any]]) -> None:
    old = scan([skies / "dark" / "night1"]).frames
    new = scan([added[0] / "lights"]).frames
    differ = {"path", "hdu", "role_source", "mosaic_source", "read_noise_e"}
    for one, two in zip(old, new, strict=True):
        for part in fields(RawFrame):
            if part.name not in differ:
                assert getattr(one, part.name) == getattr(two, part.name), part.name


def test_the_same_wish_gives_the_same_bytes_however_the_folder_is_named(
    skies: Path, added: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    """Here by way of the folder above: the lights that are written are those that the run then finds."""
    again = tmp_path / "here" / ".." / "again"
    what_if(skies / "out-dark", again, Asked(SkyWish(mag=BRIGHT), stated=Stated(DARK)))
    for name in sorted(path.name for path in (added[0] / "lights").iterdir()):
        one, two = (folder / "lights" / name for folder in (added[0], tmp_path / "again"))
        assert one.read_bytes() == two.read_bytes()
    assert not (tmp_path / "here").exists()
    stacks = [(folder / "run" / "stack.fits") for folder in (added[0], tmp_path / "again")]
    with fits.open(stacks[0]) as one_file, fits.open(stacks[1]) as two_file:
        assert np.array_equal(one_file["G"].data, two_file["G"].data, equal_nan=True)


def test_fewer_subs_write_no_lights(skies: Path, tmp_path: Path) -> None:
    facts = what_if(skies / "out-dark", tmp_path / "few", Asked(subs=3))
    assert not (tmp_path / "few" / "lights").exists()
    assert (tmp_path / "few" / "run" / "report.html").exists()
    assert facts["lights"]["after"] == 3
    assert facts["hours"]["after"] == pytest.approx(facts["hours"]["before"] / 2)
    told = facts["channels"]["G"]["faint"]
    assert told["ratio"] == pytest.approx(np.sqrt(0.5), rel=0.1)


def test_a_channel_left_out_needs_no_new_stack(skies: Path, tmp_path: Path) -> None:
    facts = what_if(skies / "out-dark", tmp_path / "less", Asked(without="G"))
    assert facts["run"] is None
    assert set(facts["channels"]) == {"R", "B", "all"}
    assert facts["channels"]["R"]["faint"]["ratio"] == 1.0
    assert facts["channels"]["all"]["object"]["ratio"] < 0.95


def test_one_of_the_greens_left_out_costs_green_alone(skies: Path, tmp_path: Path) -> None:
    """Half of the samples of green: its noise is the root of two times as large."""
    facts = what_if(skies / "out-dark", tmp_path / "less", Asked(without="G1"))
    assert facts["channels"]["G"]["faint"]["ratio"] == pytest.approx(np.sqrt(0.5), rel=0.08)
    assert facts["channels"]["B"]["faint"]["ratio"] == 1.0


def test_another_wish_in_the_same_folder_leaves_nothing_of_the_first(skies: Path, tmp_path: Path) -> None:
    what_if(skies / "out-dark", tmp_path / "one", Asked(SkyWish(factor=2.0), subs=3))
    what_if(skies / "out-dark", tmp_path / "one", Asked(without="R"))
    assert {path.name for path in (tmp_path / "one").iterdir()} == {
        ".fourlight", "whatif.html", "whatif.json", "whatif.png",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (Asked(), "nothing is asked for"),
        (Asked(without="L"), "one of R, G, B, G1, G2"),
        (Asked(subs=7), "the stack has 6 lights"),
        (Asked(SkyWish(mag=19.0)), "say it with --was MAG"),
        (Asked(SkyWish(mag=22.0), stated=Stated(21.0)), "never removed"),
    ],
)
def test_what_cannot_be_had_is_refused_before_anything_is_written(
    skies: Path, tmp_path: Path, asked: Asked, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        what_if(skies / "out-dark", tmp_path / "none", asked)
    assert not (tmp_path / "none").exists()


def test_subs_that_there_are_not_are_refused_before_the_lights_are_looked_at_again(
    skies: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whatif, "finished_run", None)
    with pytest.raises(InputError, match="2 to 6 are needed"):
        what_if(skies / "out-dark", tmp_path / "none", Asked(subs=60))


def test_folders_that_must_not_be_written_to_are_refused(skies: Path, tmp_path: Path) -> None:
    asked = Asked(SkyWish(factor=2.0))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("mine")
    for target in (skies / "out-dark", skies / "out-dark" / "x", skies / "dark" / "x", skies / "out-bright",
                   tmp_path / "full", tmp_path / "full" / "letter.txt"):  # fmt: skip
        with pytest.raises(OutputError):
            what_if(skies / "out-dark", target, asked)
    with pytest.raises(InputError, match="is no finished run"):
        what_if(skies / "dark", tmp_path / "x", asked)


def test_a_full_disk_is_told_before_lights_are_written(
    skies: Path, added: tuple[Path, dict[str, Any]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def full(folder: Path, needed: int, what: str) -> str:
        asked.append(needed)
        raise OutputError(f"{folder}: too little room for {what}")

    monkeypatch.setattr(whatif_lights, "free_room", full)
    with pytest.raises(OutputError, match="6 lights with added light"):
        what_if(skies / "out-dark", tmp_path / "none", Asked(SkyWish(factor=2.0)))
    written = [path.stat().st_size for path in (added[0] / "lights").iterdir()]
    assert sum(written) <= asked[0] <= 1.5 * sum(written), "lights under another sky are as large"
    assert sum(written) >= 6 * 2 * 320 * 240, "16 bits a sample"
    assert not list((tmp_path / "none").glob("lights/*"))


def test_a_run_that_does_not_know_its_level_of_no_light_is_refused(skies: Path, tmp_path: Path) -> None:
    run([skies / "dark" / "night1"], tmp_path / "out", with_settings(Recipe(), SETTINGS))
    with pytest.raises(InputError, match=r"read\.black_adu"):
        what_if(tmp_path / "out", tmp_path / "none", Asked(SkyWish(factor=2.0)))
