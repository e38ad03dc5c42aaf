"""Setups from TOML: those that come along, a user's own with files beside it, and what is refused in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.errors import InputError, RecipeError
from fourlight.pipeline.setups import OverheadEntry, known_settings, loads, setup_named, setup_names
from fourlight.sensor.response import MONO
from fourlight.stages.compare_setup import Costs


@pytest.mark.parametrize("name", setup_names())
def test_those_that_come_along_differ_in_camera_and_filters_alone(name):
    found = setup_named(name)
    rig = found.glass[0].rig
    assert (rig.optics.focal_mm, rig.optics.aperture_mm, rig.chip.pixel_um) == (400.0, 80.0, 3.76)
    assert rig.response.name == "bsi-8mp"
    assert (rig.channels == MONO) is name.startswith("mono")
    assert len(found.glass) == 1 or name.startswith("mono")
    assert [each for each in found.assumed if "sensor:" in each] == [], "all of the sensor is stated"


def test_files_beside_a_setup_are_found(tmp_path):
    rows = "\n".join(f"{nm},0.2,0.5,0.1" for nm in range(400, 701, 5))
    (tmp_path / "own.csv").write_text(f"nm,red,green,blue\n{rows}\n")
    rows = "\n".join(f"{nm},{0.9 if 640 <= nm <= 670 else 0.0}" for nm in range(400, 701, 2))
    (tmp_path / "glass.csv").write_text(f"nm,transmission\n{rows}\n")
    file = tmp_path / "mine.toml"
    file.write_text("[camera]\nresponse = 'own.csv'\n[[filters]]\nfilter = 'glass.csv'\n")
    found = setup_named(str(file))
    assert found.name == "mine"
    assert found.glass[0].called == "glass"
    assert found.glass[0].rig.filter.best == 0.9, "its curve says it"
    assert found.glass[0].rig.response.name == "own"
    file.write_text("[[filters]]\nfilter = 'glass.csv'\ntransmission = 0.5\n")
    with pytest.raises(InputError, match=r"filter glass has a curve.*leave out transmission = 0\.5"):
        setup_named(str(file))


def test_the_efficiency_of_a_sensor_without_dyes_is_taken_as_it_is(tmp_path):
    rows = "\n".join(f"{nm};{80 - abs(nm - 550) / 5:g}".replace(".", ",") for nm in range(400, 701, 10))
    (tmp_path / "own.csv").write_text(f"nm;QE (%)\n{rows}\n")
    found = loads("[camera]\nmono = true\nresponse = 'own.csv'", "x", tmp_path)
    rig = found.glass[0].rig
    assert rig.channels == MONO
    assert rig.response.scale == "absolute"
    assert rig.response.at(np.array([550.0, 600.0])).tolist() == [[0.8, 0.7]]
    assert not any("outline" in each for each in found.assumed)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("nm,light,dark", "none is the efficiency"),
        ("nm,red,green", "none is blue"),  # of a camera with colours, whose outline would have been taken
        ("nm,qe %,x", "per cent is stated, but the highest value is 1"),
    ],
)
def test_what_is_wrong_with_a_table_of_a_camera_is_said_of_what_it_is(tmp_path, head, said):
    rows = "\n".join(f"{nm},1,1" for nm in range(400, 701, 10))
    (tmp_path / "own.csv").write_text(f"{head}\n{rows}\n")
    with pytest.raises(InputError, match=said):
        loads("[camera]\nmono = true\nresponse = 'own.csv'", "x", tmp_path)


def test_what_nobody_stated_is_told():
    assert any("generic" in each for each in loads("", "x", Path()).assumed)
    said = " ".join(loads("[camera]\nmono = true\nread_noise_e = 2", "x", Path()).assumed)
    assert "outline" in said
    assert "pixel_um = 3.76" in said
    assert "read_noise_e" not in said


def test_a_sensor_beneath_dyes_makes_one_electron_of_a_photon_at_most():
    camera = "[camera]\nmono = true\nresponse = 'bsi-8mp'\npeak_efficiency = {}\ndyes_pass = {}"
    with pytest.raises(InputError, match=r"1\.06 electrons of a photon; state dyes_pass = 0\.95 or more"):
        loads(camera.format(0.95, 0.9), "x", Path())
    assert loads(camera.format(0.95, 0.95), "x", Path()).glass[0].dyes_pass == 0.95
    assert loads("[camera]\npeak_efficiency = 1.0", "x", Path()).glass[0].dyes_pass is None


@pytest.mark.parametrize(
    ("glass", "told"),
    [
        ("filter = 'dual-7nm'", True),
        ("filter = 'dual-7nm'\ntransmission = 0.9", False),
        ("filter = 'none'", False),
    ],
)
def test_what_filters_pass_is_told_where_nobody_stated_it(glass, told):
    found = loads(f"[[filters]]\n{glass}", "x", Path())
    assert any("filters pass 92 %" in each for each in found.assumed) == told


def test_overheads_are_the_same_wherever_they_are_assumed():
    assert Costs(**OverheadEntry().model_dump()) == Costs()


def test_every_setting_is_known_for_hints():
    assert {"sub_s", "filters.share", "camera.mono", "overheads.flat_s", "optics.focal_mm"} <= set(
        known_settings()
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("sub_s = 0", "sub_s"),
        ("filters = []", "at least 1"),
        ("[optics]\nfocal_mm = 400\naperture_mm = 0", "aperture_mm"),
        ("[optics]\nfocal_mm = 400\naperture_mm = 3000", "nothing is faster"),
        ("[camera]\nmonoo = true", "camera.mono"),
        ("[camera]\nresponse = 'bsi-8m'", "bsi-8mp"),
        ("[[filters]]\nfilter = 'dual-7mn'", "dual-7nm"),
        ("[[filters]]\nfilter = 'dual-7nm'\nshare = 0", "more than 0"),
        ("[[filters]]\nfilter = 'dual-7nm'\nbands_nm = [[656.3, 7]]", "give one of the two"),
        ("[[filters]]\nbands_nm = [[656.3, 0]]", "a width above 0"),
        ("[[filters]]\nfilter='none'\n[[filters]]\nfilter='none'", "is there twice"),
        ("[overheads]\ndither_every = 0", "1 to 1000"),
        ("[camera]\npixel_um = 0.1", "0.5 to 50"),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_needed(text, said):
    with pytest.raises((InputError, RecipeError), match=said) as refused:
        loads(text, "own.toml", Path())
    assert str(refused.value).startswith("own.toml")
    assert "\n" not in str(refused.value)


def test_an_unknown_name_is_told_with_the_nearest():
    with pytest.raises(InputError, match="did you mean mono-lrgb"):
        setup_named("mono-lrbg")
    with pytest.raises(InputError, match="name a TOML file"):
        setup_named("./none.toml")
