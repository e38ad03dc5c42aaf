"""``fourlight claims``: what it tells, and what it says where it cannot."""

import json

import pytest

OWN = """
[[claims]]
name = "{name}"
question = "Is blue of any use?"
quantity = "{quantity}"
compare = "share"
of = "B"
against = "R+G+B"
null = 0.1
matters = 0.1
direction = "more"
"""


def test_a_run_tests_all_claims(looked_at):
    found = json.loads((looked_at.out / "claims.json").read_text())
    keys = {"claim", "question", "effect", "low", "high", "p", "verdict", "scope", "would_need"}
    assert all(keys <= set(finding) for finding in found)
    assert {finding["verdict"] for finding in found} <= {"supported", "contradicted", "cannot tell"}
    assert {finding["scope"] for finding in found} == {"these frames"}, "one night"
    assert any("no darks" in finding["sentence"] for finding in found)
    assert "What the lights say to claims" in (looked_at.out / "report.html").read_text()


def test_one_claim_is_told(command, looked_at, untouched):
    with untouched(looked_at.raw):
        done = command("claims", looked_at.out, "--claim", "green is idle", "--json")
    assert done.code == 0, done.err
    assert [finding["claim"] for finding in json.loads(done.out)] == ["green is idle"]
    kept = json.loads((looked_at.out / "claims.json").read_text())
    assert len(kept) > 10, "all are tested and kept"
    assert (looked_at.out / "channels.json").exists()


def test_claims_are_listed_without_results(command):
    done = command("claims", "--list")
    assert done.code == 0
    for name in ("green is idle", "darks were needed", "more subs would still help", "cooling mattered"):
        assert name in done.out


def test_claims_of_the_user_are_tested_too(command, looked_at, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(OWN.format(name="blue matters", quantity="information"))
    done = command("claims", looked_at.out, "--own", mine, "--claim", "blue matters", "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)[0]["question"] == "Is blue of any use?"


def test_a_name_that_begins_another_is_told_alone(command, looked_at, tmp_path):
    mine = tmp_path / "mine.toml"
    first, second = (OWN.format(name=name, quantity="information") for name in ("blue", "blue matters"))
    mine.write_text(first + second)
    done = command("claims", looked_at.out, "--own", mine, "--claim", "blue", "--json")
    assert [finding["name"] for finding in json.loads(done.out)] == ["blue"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--claim", "green is idel"], "'green is idel': no such claim; nearest are 'green is idle', "),
        (["--claim", "nope"], "; fourlight claims --list names all"),
        (["--own", "missing.toml"], "cannot be read"),
    ],
)
def test_what_is_not_known_is_refused(command, looked_at, words, said):
    done = command("claims", looked_at.out, *words)
    assert done.code == 2
    assert said in done.line


def test_a_claim_on_what_is_not_measured_is_refused(command, looked_at, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(OWN.format(name="blue matters", quantity="informatoin"))
    done = command("claims", looked_at.out, "--own", mine)
    assert done.code == 2
    assert "information" in done.line


def test_results_must_be_named(command, tmp_path):
    assert "give the OUT of a finished run" in command("claims").line
    assert "name the OUT of a finished run" in command("claims", tmp_path).line


def test_claims_are_listed_as_data(command):
    done = command("claims", "--list", "--json", "--claim", "green is idle")
    assert [claim["quantity"] for claim in json.loads(done.out)] == ["information"]


def test_a_claim_that_takes_the_place_of_one_of_the_program_is_said_to(command, looked_at, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(OWN.format(name="green is idle", quantity="information"))
    done = command("claims", looked_at.out, "--own", mine, "--claim", "green is idle", "--json")
    assert "your claim 'green is idle' takes the place of the program's" in done.err
    assert [finding["question"] for finding in json.loads(done.out)] == ["Is blue of any use?"]


def test_an_empty_file_of_claims_is_refused(command, looked_at, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text("# nothing yet\n")
    done = command("claims", looked_at.out, "--own", mine)
    assert done.code == 2
    assert "there is nothing in it; write a [[claims]] table" in done.line


def test_files_of_another_kind_are_called_what_they_are(command, looked_at, tmp_path):
    scene, recipe, mine = (tmp_path / f"{name}.toml" for name in ("scene", "recipe", "mine"))
    scene.write_text("seed = 4\n[[nights]]\ncount = 3\n")
    recipe.write_text("[integrate]\npixfrac = 0.8\n")
    mine.write_text(OWN.format(name="blue matters", quantity="information"))
    for path, kind in ((scene, "a scene"), (recipe, "a recipe")):
        done = command("claims", looked_at.out, "--own", path)
        assert done.code == 2
        assert f"{path}: this is {kind}, not claims; the command for it is: fourlight" in done.line
    for words, wanted in (
        (["simulate", mine, "--out", tmp_path / "sky"], "a scene"),
        (["recipe", "--check", mine], "a recipe"),
    ):
        done = command(*words)
        assert done.code == 2
        assert (
            f"{mine}: these are claims, not {wanted}; the command for them is: fourlight claims OUT --own"
            in done.line
        )


def test_what_is_said_of_several_planes_is_said_once(command, looked_at):
    done = command("claims", looked_at.out, "--claim", "cooling mattered")
    assert done.code == 0, done.err
    assert done.err.count("cooling mattered") == 1
    assert "cooling mattered (R, G, B): " in done.err
