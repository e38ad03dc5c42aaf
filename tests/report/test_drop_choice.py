"""The page says who chose the size of the drops, and the reason of the coverage."""

import json

from fourlight.report.grounds import grounds, sentences
from invented_run import summary
from parsed_page import parsed
from plain_runs import PLAINLY


def row(facts):
    return next((said for said in grounds(facts) if "pixfrac" in said[0]), None)


def test_a_choice_by_the_coverage_comes_with_its_reason():
    _, value, source = row(summary())
    assert value == "0.8 px"
    assert source == (
        "Chosen by the coverage. Drops of 0.8 pixels cover the red and blue planes of 22 frames without holes."
    )
    assert not any("Drops of" in said for said in sentences(summary()))


def test_a_choice_of_the_recipe_is_called_so():
    facts = summary()
    facts["integration"] |= {"pixfrac_source": "recipe", "pixfrac_reason": None}
    assert row(facts)[2] == "recipe (integrate.pixfrac)"


def test_without_drops_nothing_is_said_of_them():
    facts = summary()
    facts["integration"] |= {"method": "least-squares", "method_reason": None, "pixfrac": None}
    assert row(facts) is None
    assert ("Integration", "least squares", "recipe (integrate.method)") in grounds(facts)


def test_the_method_comes_with_the_reason_of_the_coverage():
    why = "Chosen by the coverage. 1.6 red and as many blue samples fall on a pixel; least squares needs 2.5."
    assert ("Integration", "drizzle", why) in grounds(summary())


def test_a_run_tells_who_chose_and_what_each_file_is_for(command, raw, tmp_path):
    (raw / "flat_01.fits").write_text("no FITS")
    (raw / "odd.fits").write_text("no FITS")
    found = {}
    for name, settings in (("coverage", []), ("recipe", ["--set", "integrate.pixfrac=1.5"])):
        done = command("run", raw, "--out", tmp_path / name, *PLAINLY, *settings)
        assert done.code == 0, done.err
        found[name] = json.loads((tmp_path / name / "summary.json").read_text(encoding="utf-8"))
    for name, facts in found.items():
        assert facts["integration"]["pixfrac_source"] == name
        assert {item["file"]: item["role"] for item in facts["set_aside"]} == {
            "flat_01.fits": "flat",
            "odd.fits": None,
        }
    text = parsed((tmp_path / "coverage" / "report.html").read_text(encoding="utf-8")).text
    reason = found["coverage"]["integration"]["pixfrac_reason"]
    assert f"Chosen by the coverage. {reason[0].upper()}{reason[1:]}" in text
    assert "Lights used 4 of 4" in text
    assert "but 1 flat and 1 file of unknown kind could not be used" in text
