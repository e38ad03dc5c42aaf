"""Provenance: hashes against known digests, a record that can be read again, and records that cannot."""

import json
from pathlib import Path

import pytest

from fourlight.errors import InputError
from fourlight.frames import Role, SetAside
from fourlight.provenance import file_hash, load, record
from fourlight.recipe import Recipe, with_settings

UNSAID = "it does not say which files were used, and how"


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        # FIPS 180-4 example messages (NIST); the empty message
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_hash_of_a_file(tmp_path, content, digest):
    path = tmp_path / "x"
    path.write_bytes(content)
    assert file_hash(path) == digest


def test_a_record_is_read_again(tmp_path):
    recipe = with_settings(Recipe(), ["integrate.pixfrac=0.9", "read.filter=Dual"])
    inputs = {Path("raw/a.fits"): "00ff", Path("raw/\u00e9.fits"): "11"}
    aside = [
        SetAside(Path("raw/b.fits"), "read", "empty", Role.DARK, (2880, 1_900_000_000_000_000_001)),
        SetAside(Path("raw/a.fits"), "select", "a copy"),
    ]
    data = record(inputs, [Path("raw")], recipe, {"pixfrac": 0.9}, 7, aside)
    path = tmp_path / "provenance.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    found = load(path)
    assert found.inputs == inputs
    assert found.recipe == recipe
    assert found.searched == (Path("raw"),)
    assert list(found.set_aside) == aside
    assert list(found.not_read) == aside[:1]
    assert set(data["libraries"]) >= {"numpy", "scipy", "numba", "astropy"}
    assert "unknown" not in data["libraries"].values()


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "no JSON is in it"),
        ("{", "no JSON is in it"),
        ("[]", UNSAID),
        ("{}", UNSAID),
        ("3", UNSAID),
        ('{"inputs": [], "recipe": {}, "searched": []}', UNSAID),
        ('{"inputs": {}, "recipe": {}, "searched": [], "set_aside": [{"path": "a"}]}', UNSAID),
        ('{"inputs": {}, "recipe": 1}', "it holds no settings"),
    ],
)
def test_what_is_no_record(tmp_path, text, reason):
    path = tmp_path / "p.json"
    path.write_text(text)
    with pytest.raises(InputError, match=rf"\({reason}\).* name the provenance\.json of a"):
        load(path)


def test_no_file_a_folder_and_no_text(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load(tmp_path / "none.json")
    with pytest.raises(InputError, match="not the record"):
        load(tmp_path)
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not the record"):
        load(tmp_path / "b.json")


def test_a_record_of_another_recipe_is_refused(tmp_path):
    data = record({}, [], Recipe(), {}, 7)
    data["recipe"]["integrate"]["unheard_of"] = 1
    path = tmp_path / "p.json"
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match="not those of this version; make the run again"):
        load(path)
