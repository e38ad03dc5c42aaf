"""``fourlight channels``: what it writes, and what it says where it cannot."""

import json
import os
import shutil

import pytest

from plain_runs import PLAINLY


def test_tells_shares_of_named_regions(command, looked_at, untouched):
    with untouched(looked_at.raw):
        done = command("channels", looked_at.out, "--region", "mid=60,40,180,140", "--json")
    assert done.code == 0, done.err
    found = json.loads(done.out)
    assert found == json.loads((looked_at.out / "channels.json").read_text())
    assert set(found["shares"]) == {"electrons", "luminance", "information", "detail"}
    assert set(found["shares"]["information"]["mid"]) == {"R", "G", "G1", "G2", "B"}
    assert found["scope"] == "these frames"
    assert "these 4 lights and no more" in (looked_at.out / "report.html").read_text()


@pytest.mark.parametrize(
    ("region", "said"),
    [
        ("mid=1,2,3", "write it as NAME=X0,Y0,X1,Y1"),
        ("mid", "write it as NAME=X0,Y0,X1,Y1"),
        ("mid=0,0,9000,20", "reaches beyond the stack, whose pixels run from 0,0 to 240,180"),
        ("mid=50,50,40,60", "has no pixels; give the left, upper, right and lower edge"),
        ("mid=-5,50,40,60", "reaches beyond the stack"),
        ("mid=10,10,12,12", "has 2 x 2 pixels, too few samples for shares; 16 x 16 are needed"),
        ("mid=10,10,200,25", "has 190 x 15 pixels"),
        ("4th=1,2,30,40", "a name begins with a letter"),
        (f"{'n' * 25}=1,2,30,40", "24 at most"),
        ("<b>=1,2,30,40", "a name begins with a letter"),
        ("sky=0,0,10,10", "sky is a name of the program's own"),
        ("object_over_stars=0,0,10,10", "object_over_stars is a name of the program's own"),
    ],
)
def test_regions_that_are_none_are_refused(command, looked_at, region, said):
    done = command("channels", looked_at.out, "--region", region)
    assert done.code == 2
    assert said in done.line


def test_two_regions_of_one_name_are_refused(command, looked_at):
    done = command("channels", looked_at.out, "--region", "a=0,0,9,9", "--region", "a=5,5,20,20")
    assert done.code == 2
    assert "two regions have the name a" in done.line


def test_a_folder_without_results_is_refused(command, tmp_path):
    done = command("channels", tmp_path)
    assert done.code == 2
    assert "name the OUT of a finished run" in done.line
    assert list(tmp_path.iterdir()) == []


def test_lights_that_are_gone_or_changed_are_said(command, looked_at, tmp_path):
    shutil.copytree(looked_at.raw, tmp_path / "raw")
    assert command("run", tmp_path / "raw", "--out", tmp_path / "out", *PLAINLY).code == 0
    light = sorted((tmp_path / "raw").glob("*.fits"))[1]
    os.utime(light, (1, 1))
    assert command("channels", tmp_path / "out").code == 0, (
        "a copy put back, byte for byte, is the light it was"
    )
    data = bytearray(light.read_bytes())
    data[-3000] ^= 1
    light.write_bytes(data)
    assert "has changed since the run" in command("channels", tmp_path / "out").line
    light.unlink()
    done = command("channels", tmp_path / "out")
    assert done.code == 2
    assert "is gone since the run" in done.line
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("summary.json", None),
        ("summary.json", b"{"),
        ("summary.json", b"[1, 2]"),
        ("picture.tif", None),
        ("picture.tif", b"II*\0"),
        ("stack.fits", b"SIMPLE"),
    ],
)
def test_results_that_are_not_whole_are_said_in_one_line(command, looked_at, tmp_path, name, content):
    shutil.copytree(looked_at.out, tmp_path / "out")
    (tmp_path / "out" / name).unlink()
    if content is not None:
        (tmp_path / "out" / name).write_bytes(content)
    for asked in ("channels", "claims"):
        done = command(asked, tmp_path / "out")
        assert done.code == 2
        assert f"{name}: cannot be read" in done.line
        assert f"make the {'picture' if name == 'picture.tif' else 'stack'} anew" in done.line


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[1, 2]", b'{"lights": 30}', b"null", b'[{"claim": 1}]', b"\xff"]
)
@pytest.mark.parametrize("name", ["channels", "claims"])
def test_findings_that_are_not_whole_are_said_before_work_begins(command, looked_at, tmp_path, name, content):
    """By every command that would have to tell of them; none leaves its part of the report out."""
    out = tmp_path / "out"
    shutil.copytree(looked_at.out, out)
    (out / f"{name}.json").write_bytes(content)
    page = (out / "report.html").read_bytes()
    for asked in {"picture", "solve", "channels", "claims"} - {name}:
        done = command(asked, out)
        assert done.code == 2
        assert done.line.endswith(
            f"{name}.json: cannot be read (it is not whole); fourlight {name} {out} makes it anew"
        )
    assert (out / "report.html").read_bytes() == page


def test_the_command_mends_its_own_findings(command, looked_at, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(looked_at.out, out)
    (out / "channels.json").write_text("{")
    assert command("channels", out).code == 0
    assert command("picture", out).code == 0
    (out / "channels.json").write_text("{")
    (out / "claims.json").write_text("{")
    said = command("channels", out).line
    assert (
        f"claims.json: cannot be read (it is not whole); delete it, then fourlight claims {out} makes it anew"
        in said
    )
    (out / "claims.json").unlink()
    assert command("channels", out).code == 0


def test_a_stack_that_is_cut_off_is_said_in_one_line(command, looked_at, tmp_path, recwarn):
    shutil.copytree(looked_at.out, tmp_path / "out")
    with (tmp_path / "out" / "stack.fits").open("r+b") as stream:
        stream.truncate(stream.seek(0, 2) // 2)
    done = command("channels", tmp_path / "out")
    assert done.code == 2
    assert "stack.fits: cannot be read" in done.line
    assert not recwarn.list


def test_what_the_run_knew_is_needed(command, looked_at, tmp_path):
    shutil.copytree(looked_at.out, tmp_path / "out")
    shutil.rmtree(tmp_path / "out" / "work")
    done = command("channels", tmp_path / "out")
    assert done.code == 2
    assert "make the stack anew: fourlight run NIGHTS --out" in done.line
