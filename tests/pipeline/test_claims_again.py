"""Claims on the lights of a finished stack are those of the run itself, trails and all."""

import json

import pytest

from fourlight.pipeline.evidence import claims_on
from fourlight.pipeline.finished import finished_run
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 74
exposure_s = 120.0
[camera]
width_px = 280
height_px = 220
[stars]
count = 90
cluster_count = 0
[calibration]
darks = 4
flats = 4
bias = 4
[[nights]]
count = 10
trail_share = 0.6
trail_e_per_px = 900.0
sky_mag = 21.6
"""


@pytest.fixture(scope="module")
def trailed(tmp_path_factory, evidence):
    folder = tmp_path_factory.mktemp("trailed")
    simulate(loads(SCENE), folder / "raw")
    asked = ["integrate.method=drizzle", "evidence.channels=true", "evidence.claims=true"]
    run([folder / "raw"], folder / "out", with_settings(Recipe(), asked))
    return folder / "out"


def test_trails_that_the_run_took_out_are_taken_out_again(trailed):
    """As many in each light as the run says that it took out."""
    told = json.loads((trailed / "summary.json").read_text())
    taken = [len(frame["trails"]) for frame in told["frames"] if "trails" in frame]
    assert sum(taken) >= 3
    with finished_run(trailed) as opened:
        assert [len(trails) for trails in opened.table.trails] == taken


def test_claims_told_again_are_those_of_the_run(trailed):
    """The same samples, the same ones left out, and stars of the same light: to what rounding of the maps leaves."""
    before = json.loads((trailed / "claims.json").read_text())
    again = json.loads(json.dumps(claims_on(trailed, [], [])))
    assert len(before) > 20
    for one, other in zip(before, again, strict=True):
        for key, value in one.items():
            assert other[key] == (pytest.approx(value, rel=1e-6) if isinstance(value, float) else value)


def test_claims_say_of_channels_what_their_page_says(trailed):
    """One quantity, one value, one interval."""
    claims = {each["name"]: each for each in json.loads((trailed / "claims.json").read_text())}
    channels = json.loads((trailed / "channels.json").read_text())
    shares = channels["shares"]["information"]
    share, ratio = shares.get("object", shares["stars"]), channels["ratios"]["R_over_G"]
    for name, told in (
        ("green is idle", share["G"]), ("one green is enough", share["G2"]), ("red is blurrier than green", ratio)
    ):  # fmt: skip
        found = claims[name]
        assert found["effect"] == pytest.approx(told["value"], rel=1e-6)
        assert max(found["low"], 0.0) == pytest.approx(told["low"], rel=1e-6)
        assert found["high"] == pytest.approx(told["high"], rel=1e-6)
    assert claims["red is blurrier than green"]["scope"] == ratio["scope"]
