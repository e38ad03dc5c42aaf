"""Numbers of a region: against what was put in, and what is refused."""

import json

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import InputError
from fourlight.pipeline.region_numbers import light_of, region_facts
from web_results import write_halves

BOX = (100, 80, 420, 300)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_halves(tmp_path_factory.mktemp("region") / "results")


def test_light_is_what_was_put_in(folder):
    """Light above the sky of 40, 60, 60 and 20 electrons, within four of the errors told."""
    found = light_of(folder, BOX)
    for name, light in {"R": 40, "G1": 60, "G2": 60, "B": 20}.items():
        assert abs(found[name].value - light) < 4 * found[name].error
        # noise of 5 electrons in the mean of both halves, independent from pixel to pixel
        assert found[name].error == pytest.approx(5 / np.sqrt(320 * 220), rel=0.15)


def test_bands_change_nothing(folder, monkeypatch):
    whole = light_of(folder, BOX)
    monkeypatch.setattr("fourlight.pipeline.region_numbers.BAND_ROWS", 16)
    parts = light_of(folder, BOX)
    for name, mean in whole.items():
        assert parts[name].value == pytest.approx(mean.value, rel=1e-9)
        assert parts[name].error == pytest.approx(mean.error, rel=1e-9)


def test_shares_sum_to_one_in_words(folder):
    facts = region_facts(folder, BOX)
    shares = [float(plane["share"].split(" ")[0]) for plane in facts["planes"]]
    assert sum(shares) == pytest.approx(100, abs=0.1)
    assert shares == pytest.approx([22.2, 33.3, 33.3, 11.1], abs=0.2)
    assert facts["command"].endswith("--region name=100,80,420,300")


def test_what_all_lights_are_off_by_is_in_the_error(tmp_path):
    """As `channels.json` tells it for the object, added in squares to what the halves differ by."""
    folder = write_halves(tmp_path / "results")
    assert "which this run does not tell" in region_facts(folder, BOX)["note"]
    off = {"R": 0.3, "G1": 0.4, "G2": 0.4, "B": 0.0}
    (folder / "channels.json").write_text(json.dumps({"regions": {"object": {"shared_error": off}}}))
    facts = region_facts(folder, BOX)
    assert "as the run measured it for the object" in facts["note"]
    told = [float(plane["light"].split("±")[1]) for plane in facts["planes"]]
    assert told == pytest.approx([0.3, 0.4, 0.4, 5 / np.sqrt(320 * 220)], abs=0.01)


def test_empty_sky_has_no_shares(tmp_path):
    folder = write_halves(tmp_path / "results", light=dict.fromkeys(("R", "G1", "G2", "B"), 0.0))
    assert {plane["share"] for plane in region_facts(folder, BOX)["planes"]} == {"–"}


@pytest.mark.parametrize(
    ("box", "said"),
    [
        ((0, 0, 31, 90), "31 x 90 px; errors need 32 x 32"),
        ((90, 0, 40, 90), "left, upper, right and lower"),
        ((-1, 0, 40, 90), "left, upper, right and lower"),
        ((0, 0, 900, 701), "within 0,0 to 900,700"),
    ],
)
def test_regions_that_are_none_are_refused(folder, box, said):
    with pytest.raises(InputError, match=said):
        region_facts(folder, box)


def test_a_stack_without_halves_tells_nothing(tmp_path):
    folder = write_halves(tmp_path / "results")
    (folder / "halves.fits").unlink()
    with pytest.raises(InputError, match=r"halves\.fits: cannot be read"):
        region_facts(folder, BOX)
    fits.HDUList([fits.PrimaryHDU()]).writeto(folder / "halves.fits")
    with pytest.raises(InputError, match="have no plane of R, G1, G2, B"):
        region_facts(folder, BOX)


def test_a_region_without_samples_is_not_known(folder, tmp_path):
    empty = write_halves(tmp_path / "results", hole=True)
    facts = region_facts(empty, BOX)
    assert {plane["light"] for plane in facts["planes"]} == {"–"}
    assert json.dumps(facts, allow_nan=False)
