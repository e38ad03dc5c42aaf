"""Measured lights on disk: everything comes back, and what is damaged or old is not used."""

import runpy
from dataclasses import fields as members
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fourlight.frames import FrameFlag
from fourlight.pipeline import cache
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAINLY

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))


@pytest.fixture
def frame():
    rng = np.random.default_rng(1)
    stars = fields["star_list"](*rng.uniform(0, 50, (2, 9)), rng.uniform(1, 9, (9, 4)))
    plain = fields["measured_frame"]("a.fits", stars, (50, 60))
    level = plain.sky_map.copy()
    level[0, 0, 0] = np.nan
    return replace(plain, sky_map=level, angle_deg=33.25, flags=FrameFlag.CLOUD | FrameFlag.NO_DATE)


def same(back, frame):
    for member in members(frame):
        if member.name not in ("raw", "stars"):
            np.testing.assert_array_equal(
                getattr(back, member.name), getattr(frame, member.name), err_msg=member.name
            )
    for member in members(frame.stars):
        np.testing.assert_array_equal(getattr(back.stars, member.name), getattr(frame.stars, member.name))
    assert back.raw is frame.raw


def test_everything_comes_back(tmp_path, frame):
    path = tmp_path / "x.npz"
    cache.save(path, frame)
    back = cache.load(path, frame.raw)
    same(back, frame)
    assert [p.name for p in tmp_path.iterdir()] == ["x.npz"]


def test_missing_old_and_damaged_files_are_not_used(tmp_path, frame, monkeypatch):
    path = tmp_path / "x.npz"
    assert cache.load(path, frame.raw) is None
    cache.save(path, frame)
    whole = path.read_bytes()
    monkeypatch.setattr(cache, "FORMAT", cache.FORMAT + 1)
    assert cache.load(path, frame.raw) is None
    monkeypatch.undo()
    for size in (0, 1, 30, 500, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        assert cache.load(path, frame.raw) is None
    rng = np.random.default_rng(2)
    for _ in range(60):
        bent = bytearray(whole)
        for place in rng.integers(0, len(whole), 3):
            bent[place] ^= 0xFF
        path.write_bytes(bytes(bent))
        back = cache.load(path, frame.raw)
        if back is not None:  # some bytes mean nothing, as the time of a member
            same(back, frame)
    np.save(tmp_path / "y.npy", np.zeros(3))
    (tmp_path / "y.npy").rename(path)
    assert cache.load(path, frame.raw) is None


def test_what_another_recipe_left_is_pruned(command, raw, tmp_path):
    """One small file per light, whatever was tried before; nothing is measured again for the same settings."""
    out = tmp_path / "out"
    kept = []
    for setting in ("measure.max_stars=30", "measure.max_stars=40", "measure.max_stars=40"):
        assert command("run", raw, "--out", out, *PLAINLY, "--set", setting).code == 0
        kept.append({path: path.stat().st_mtime_ns for path in (out / "work" / "measured").iterdir()})
    assert [len(files) for files in kept] == [4, 4, 4]
    assert not kept[0].keys() & kept[1].keys()
    assert kept[1] == kept[2]


CALIBRATED = """
seed = 5
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[calibration]
darks = 3
dark_exposure_s = 60.0
flats = 3
bias = 3
[[nights]]
count = 2
"""


def test_masters_of_another_recipe_are_pruned_when_a_run_has_ended_well(command, tmp_path):
    """Only those of the last run stay, all of them: the same run again makes none anew. A run that fails keeps all."""
    nights, out = tmp_path / "nights", tmp_path / "out"
    simulate(loads(CALIBRATED), nights)
    kept = []
    for setting, code in (("4", 0), ("6", 0), ("6", 0), ("5", 1)):
        words = ("--set", "registration.min_matches=5000") if code else ()
        done = command(
            "run", nights, "--out", out, *PLAINLY, "--set", f"calibrate.clip_sigma={setting}", *words
        )
        assert done.code == code, done.err
        kept.append({path.name: path.stat().st_mtime_ns for path in (out / "work" / "masters").iterdir()})
    first, second, again, failed = kept
    assert {name.rsplit("-", 1)[0] for name in first} == {"bias", "dark", "flat", "response", "scaled-dark"}
    assert len(first) == len(second)
    assert not first.keys() & second.keys()
    assert second == again
    assert failed.keys() > again.keys()


def test_digest_tells_values_apart_and_does_not_change():
    parts = [1, "a", [0.1, None], {"b": 1, "a": Path("x")}]
    assert cache.digest(*parts) == cache.digest(*parts)
    assert cache.digest({"a": 1, "b": 2}) == cache.digest({"b": 2, "a": 1})
    assert len({cache.digest(v) for v in (1, "1", [1], {"1": 1}, 1.5, None, True)}) == 7
    assert cache.digest(0.1 + 0.2) != cache.digest(0.3)
