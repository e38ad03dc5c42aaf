"""Evidence to look at: the words of the report with the numbers behind them, and files by name only."""

import json

import pytest

from fourlight.errors import InputError
from fourlight.pipeline.shown_evidence import evidence_facts, evidence_file
from web_results import write_evidence


@pytest.fixture
def folder(tmp_path):
    return write_evidence(tmp_path / "results")


def test_shares_are_those_of_the_file(folder):
    facts = evidence_facts(folder)
    stored = json.loads((folder / "channels.json").read_text())["shares"]
    assert [region["name"] for region in facts["regions"]] == ["the object", "the stars"]
    kind = facts["regions"][0]["kinds"][0]
    assert (kind["label"], kind["meaning"]) == ("Electrons", "what was counted")
    assert [one["name"] for one in kind["channels"]] == ["Red", "Green", "Green 1", "Green 2", "Blue"]
    green = kind["channels"][1]
    assert {key: green[key] for key in ("value", "low", "high")} == stored["electrons"]["object"]["G"]
    assert green["said"] == "54.8 ± 0.1 %"


def test_what_is_said_is_said_in_the_words_of_the_report(folder):
    facts = evidence_facts(folder)
    assert facts["meaning"].startswith("Four different things")
    assert any("these 23 lights" in note for note in facts["notes"])
    assert facts["sharp"]["rows"][0] == {
        "channel": "Red",
        "width": "2.00 ± 0.10 px",
        "detail": "6.00 ± 0.10 px",
    }
    assert facts["claims"][0]["verdict"] == "supported"
    assert facts["claims"][0]["sentence"].startswith("For these frames")


def test_figures_are_those_that_are_there(folder):
    facts = evidence_facts(folder)
    assert [figure["files"] for figure in facts["figures"]] == [
        ["shares.png", "shares.svg"],
        ["without-green.png"],
    ]
    assert [figure["moving"] for figure in facts["figures"]] == [None, "without-green.webp"]
    assert [row["file"] for row in facts["numbers"]] == ["channels.json", "claims.json"]


def test_a_run_without_evidence_has_none(tmp_path):
    (tmp_path / "summary.json").write_text("{}")
    facts = evidence_facts(tmp_path)
    assert (facts["regions"], facts["claims"], facts["figures"], facts["numbers"]) == ([], [], [], [])


@pytest.mark.parametrize(
    "name",
    ["summary.json", "../results/channels.json", "", ".", "figures/shares.png", "other.png", "/etc/passwd"],
)
def test_no_other_file_is_given_out(folder, name):
    (folder / "figures" / "other.png").write_bytes(b"x")
    with pytest.raises(InputError, match="no figure is called"):
        evidence_file(folder, name)


def test_a_name_that_leads_elsewhere_is_not_followed(folder, tmp_path):
    (tmp_path / "secret").write_text("x")
    (folder / "figures" / "planes.png").symlink_to(tmp_path / "secret")
    with pytest.raises(InputError, match="is not there"):
        evidence_file(folder, "planes.png")
    with pytest.raises(InputError, match="fourlight channels"):
        evidence_file(folder, "resolution.png")
    assert evidence_file(folder, "shares.png").name == "shares.png"
