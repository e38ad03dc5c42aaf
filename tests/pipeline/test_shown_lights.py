"""Lights to look at: numbers against the summary, pictures against the raw samples, and raw files that are gone."""

import gzip
import hashlib
import json
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from fourlight.errors import FrameError, InputError
from fourlight.pipeline.raw_pictures import DETAIL_PX, raw_pictures
from fourlight.pipeline.shown_lights import ShownLights, light_rows
from invented_run import summary
from web_results import raw_light


def test_rows_are_the_lights_in_order_of_time():
    found = summary()
    rows = light_rows(found)
    times = [row["time"] for row in rows if row["time"]]
    assert times == sorted(times)
    aside = {row["file"]: row["reason"] for row in rows if row["reason"]}
    assert set(aside) < {item["file"] for item in found["set_aside"]}
    assert "trailed" in aside["lantern_005.fits"]
    frame = next(frame for frame in found["frames"] if frame["file"] == rows[0]["file"])
    assert rows[0]["fwhm_px"] == pytest.approx((frame["fwhm_px"]["G1"] + frame["fwhm_px"]["G2"]) / 2)
    assert rows[0]["weight"] == pytest.approx(sum(frame["weight"].values()) / 4)


def test_what_was_not_measured_is_not_known():
    (row,) = light_rows(
        {"set_aside": [{"file": "a", "role": "light", "stage": "read", "reason": "cut short"}]}
    )
    assert (row["fwhm_px"], row["sky"], row["time"], row["reason"]) == (None, None, None, "cut short")


def test_files_that_are_no_lights_stand_apart(tmp_path):
    found = summary()
    found["set_aside"].append(
        {"file": "f.fits", "role": "flat", "stage": "calibrate", "reason": "too bright"}
    )
    (tmp_path / "summary.json").write_text(json.dumps(found))
    facts = ShownLights(tmp_path).facts()
    assert {"file": "f.fits", "kind": "flat", "stage": "calibrate", "reason": "too bright"} in facts["others"]
    assert "f.fits" not in [row["file"] for row in facts["lights"]]
    assert set(facts["remarks"]) == {"bright sky"}


def test_names_that_are_no_text_can_be_sent(tmp_path):
    """A byte of a name that is no UTF-8 stands in the summary as half of a pair (PEP 383), which JSON cannot send."""
    found = {"frames": [{"file": "m\udce9.fits"}], "set_aside": []}
    (tmp_path / "summary.json").write_text(json.dumps(found))
    (row,) = ShownLights(tmp_path).facts()["lights"]
    assert json.dumps(row, ensure_ascii=False).encode()


@pytest.fixture
def light(tmp_path):
    """A raw light of 600 x 500 samples: a star in the middle, its colours of other levels and gains."""
    return raw_light(tmp_path / "raw" / "light.fits")


def shown(data):
    return np.asarray(Image.open(BytesIO(data)))


def brightest(picture):
    """Middle of the pixels that are as bright as any."""
    return tuple(np.argwhere(picture == picture.max()).mean(axis=0))


def test_pictures_show_the_star_where_it_is(light):
    made = raw_pictures(light)
    detail = shown(made.detail)
    assert detail.shape == (DETAIL_PX, DETAIL_PX)
    assert brightest(detail) == pytest.approx((64, 64), abs=2)
    # all four colours have one grey at the sky, though the samples differ by a factor of three
    levels = [np.median(detail[place // 2 : 30 : 2, place % 2 : 30 : 2]) for place in range(4)]
    assert np.ptp(levels) <= 8
    field = shown(made.field)
    assert field.shape == (250, 300)
    assert brightest(field) == pytest.approx((125, 150), abs=1)


def test_large_frames_become_small_pictures(tmp_path):
    path = raw_light(tmp_path / "large.fits", (2001, 3003))
    assert shown(raw_pictures(path).field).shape == (334, 501)


def test_packed_frames_give_the_same_pictures(light, tmp_path):
    packed = tmp_path / "light.fits.gz"
    packed.write_bytes(gzip.compress(light.read_bytes()))
    assert raw_pictures(packed) == raw_pictures(light)


def test_raw_frames_are_only_read(light):
    before = hashlib.sha256(light.read_bytes()).hexdigest(), light.stat().st_mtime_ns
    light.parent.chmod(0o555)
    try:
        raw_pictures(light)
    finally:
        light.parent.chmod(0o755)
    assert (hashlib.sha256(light.read_bytes()).hexdigest(), light.stat().st_mtime_ns) == before
    assert [path.name for path in light.parent.iterdir()] == ["light.fits"]


@pytest.fixture
def run(tmp_path, light):
    """Results of one light that is there, one that is gone, and one that is no frame."""
    (tmp_path / "broken.fits").write_bytes(b"SIMPLE  =")
    paths = {"a": light, "b": tmp_path / "gone.fits", "c": tmp_path / "broken.fits", "d": tmp_path}
    frames = [
        {"file": name, "path": str(path), "time": f"2031-01-0{k + 1}"}
        for k, (name, path) in enumerate(paths.items())
    ]
    (tmp_path / "summary.json").write_text(json.dumps({"frames": frames, "set_aside": []}))
    return ShownLights(tmp_path)


def test_a_raw_frame_that_is_gone_is_told_in_one_sentence(run):
    version = run.facts()["version"]
    assert run.pictures(version, 0).field.startswith(b"\x89PNG")
    with pytest.raises(
        InputError, match=r"no longer at .*gone\.fits; the numbers are those that the run measured\.$"
    ):
        run.pictures(version, 1)
    with pytest.raises(FrameError, match=r"broken\.fits"):
        run.pictures(version, 2)
    with pytest.raises(InputError, match="no longer at"):
        run.pictures(version, 3)
    with pytest.raises(InputError, match="no light number 4; there are 4"):
        run.pictures(version, 4)


def test_rows_of_an_earlier_run_give_no_picture(run, tmp_path):
    version = run.facts()["version"]
    (tmp_path / "summary.json").write_text(json.dumps({"frames": [], "set_aside": []}))
    assert run.pictures(version, 0) is None
    assert run.facts()["lights"] == []


def test_pictures_are_kept_for_the_last_lights_only(run, tmp_path, monkeypatch):
    """One here: a light that is asked for after another is made anew."""
    raw_light(tmp_path / "gone.fits")  # is back
    made = []
    monkeypatch.setattr("fourlight.pipeline.shown_lights.HELD", 1)
    monkeypatch.setattr(
        "fourlight.pipeline.shown_lights.raw_pictures",
        lambda path: made.append(path.name) or raw_pictures(path),
    )
    version = run.facts()["version"]
    for number in (0, 0, 1, 0):
        run.pictures(version, number)
    assert made == ["light.fits", "gone.fits", "light.fits"]
