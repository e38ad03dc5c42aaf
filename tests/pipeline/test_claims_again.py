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
    asked = ["integrate.method=drizzle", "evidence.channels=false", "evidence.claims=true"]
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
    """To the last digit where samples are compared: the same ones, the same ones left out.

    Widths of stars are those of places that lights share, in which the light of a star counts: to a tenth of an error.
    """
    before = json.loads((trailed / "claims.json").read_text())
    again = json.loads(json.dumps(claims_on(trailed, [], [])))
    assert len(before) > 20
    for one, other in zip(before, again, strict=True):
        if one["name"] == "red is blurrier than green":
            assert other["effect"] == pytest.approx(one["effect"], abs=0.1 * (one["high"] - one["low"]))
        else:
            assert one == other
