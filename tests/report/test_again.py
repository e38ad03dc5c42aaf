"""The command that makes a result again works from any folder."""

import os
import shlex
from pathlib import Path

import pytest

from fourlight.report.again import command_line, origin
from invented_run import provenance


# The rules of POSIX are checked by shlex; the standard library has no reader for those of Windows.
@pytest.mark.skipif(os.name == "nt", reason="quoted as a POSIX shell reads it")
@pytest.mark.parametrize("out", ["results", "my results/it's M one"])
def test_the_command_names_the_record_in_full_and_a_folder_of_its_own(tmp_path, monkeypatch, out):
    monkeypatch.chdir(tmp_path)
    words = shlex.split(origin(provenance(), Path(out))["command"], comments=True)
    assert words[:3] == ["fourlight", "run", "--again"]
    assert words[3] == str(tmp_path / out / "provenance.json")
    assert words[4:] == ["--out", "NEW-FOLDER"]


# The rules of POSIX are checked; those of Windows have no reader in the standard library to check them with.
@pytest.mark.skipif(os.name == "nt", reason="quoted as a POSIX shell reads it")
def test_words_with_blanks_stay_one_word():
    # POSIX.1-2017, Shell Command Language 2.2.2: single quotes keep every character as it is.
    assert command_line(["a", "b c"]) == "a 'b c'"


def test_files_of_one_name_in_two_folders_can_be_told_apart():
    record = {"inputs": {"/nights/one/a.fits": "1" * 64, "/nights/two/a.fits": "2" * 64}}
    said = origin(record, None)
    assert [Path(name).as_posix() for name, _ in said["inputs"]] == ["one/a.fits", "two/a.fits"]
    assert Path(said["inputs_below"]) == Path("/nights")
