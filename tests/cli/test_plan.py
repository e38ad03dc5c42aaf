"""``fourlight plan`` as a user calls it: what is told, what is refused, what is written."""

from __future__ import annotations

import json

import pytest

from sockets import no_network

pytestmark = pytest.mark.usefixtures("no_settings")

SITE = ("--site", "31.5,-38,2100")
PLAN = ("plan", *SITE, "--date", "2031-08-07")
TARGET = ("--target", "287.4,18.2")

OWN = """
[site.ledge]
latitude_deg = 31.5
longitude_deg = -38
height_m = 2100
sky_mag = 21.6
extinction_mag = 0.15
horizon = "line.csv"
zone = "+3"
[optics.small]
focal_mm = 300
f_ratio = 4
[camera.mine]
response = "bsi-8mp"
pixel_um = 2.9
"""


@pytest.fixture
def own(tmp_path):
    (tmp_path / "line.csv").write_text("az,alt\n0,5\n120,40\n240,5\n")
    path = tmp_path / "mine.toml"
    path.write_text(OWN)
    return path


def test_a_night_is_told_with_what_was_assumed(command):
    done = command(*PLAN, *TARGET)
    assert done.code == 0
    for words in ("dark    22:53 to 06:23", "Moon    rises 00:1", "usable  22:5", "best    ", "flip    "):
        assert words in done.out
    assert "assumed: sky of 21 mag" in done.out
    assert "take care: Sun: never point optics near it" in done.out
    assert "sub " not in done.out, "nobody named a camera"


def test_numbers_as_json(command):
    done = command(
        *PLAN, *TARGET, "--filter", "dual-7nm", "--goal", 20, "--clear", 50, "--ahead", 5, "--json"
    )
    found = json.loads(done.out)
    assert found["target"]["usable_h"] == pytest.approx(6.2, abs=0.3)
    assert found["target"]["best"]["worth_h"] > 1
    assert found["moon"]["lit"] == pytest.approx(0.69, abs=0.01)
    assert len(found["ahead"]) == 5
    assert found["tonight"]["about"] == "oiii"
    assert found["tonight"]["needed"]["sure_nights"] > found["tonight"]["needed"]["clear_nights"]
    assert any("16" in each or "pixels" in each for each in found["assumed"])
    assert [
        each for each in found["assumed"] if each.startswith("the filter dual-7nm passes 92 % at its best")
    ]


def test_things_of_ones_own_by_name(command, own):
    done = command(
        "plan",
        "--site",
        "ledge",
        "--sites",
        own,
        *TARGET,
        "--date",
        "2031-08-07",
        "--camera",
        "mine",
        "--optics",
        "small",
        "--json",
    )
    found = json.loads(done.out)
    assert found["site"]["sky_mag"] == 21.6
    assert found["site"]["skyline"].endswith("line.csv")
    told = command("plan", "--site", "ledge", "--sites", own, *TARGET, "--date", "2031-08-07")
    assert "times in UTC+3" in told.out
    assert "sky of 21 mag" not in told.out
    sub = json.loads(
        command("sub", "--sky", 21, "--sites", own, "--camera", "mine", "--optics", "small", "--json").out
    )
    assert sub["pixel_arcsec"] == pytest.approx(206.265 * 2.9 / 300, rel=1e-4)
    assert not any("curves of the camera" in each for each in sub["assumed"])


def test_the_file_in_the_folder_for_settings_is_found(command, no_settings, own):
    folder = no_settings / "fourlight"
    folder.mkdir(parents=True)
    (folder / "sites.toml").write_text(OWN)
    (folder / "line.csv").write_text("az,alt\n0,5\n120,40\n240,5\n")
    assert command("plan", "--site", "ledge", *TARGET, "--date", "2031-08-07").code == 0


def test_options_overrule_the_file(command, own):
    found = json.loads(
        command(
            "plan",
            "--site",
            "ledge",
            "--sites",
            own,
            *TARGET,
            "--date",
            "2031-08-07",
            "--sky",
            19,
            "--zone",
            "-2",
            "--json",
        ).out
    )
    assert found["site"]["sky_mag"] == 19


def test_a_date_beyond_the_date_line_is_that_of_the_zone(command):
    words = ("plan", "--site", "-20,-176", *TARGET, "--date", "2031-08-07", "--zone", "+13")
    assert "night   2031-08-07 to 2031-08-08, times in UTC+13" in command(*words).out


@pytest.mark.parametrize(
    ("option", "said"), [("--sky", "15 (middle of a city)"), ("--extinction", "0.05 to 1")]
)
def test_a_nought_does_not_give_way_to_the_file(command, own, option, said):
    done = command("plan", "--site", "ledge", "--sites", own, *TARGET, option, 0)
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--target", "10,-75"), "never rises"),
        (("--target", "10,-40"), "never stands higher than"),
        (("--target", "136.9,16.6"), "never point optics near the Sun"),
        (("--target", "Lantern of Kelder"), "no such object"),
        (("--target", "Dumbell Nebula"), "Dumbbell Nebula"),
        (("--target", "10,95"), "no place on the sky"),
        ((*TARGET, "--date", "7.8.2031"), "year-month-day"),
        ((*TARGET, "--date", "3031-08-07"), "1961 to 2099"),
        ((*TARGET, "--horizon", "none.csv"), "cannot be read as a skyline"),
        ((*TARGET, "--zone", "Kelder"), "no zone of times"),
        ((*TARGET, "--sky", "30"), "15 (middle of a city)"),
        ((*TARGET, "--least-altitude", "95"), "0 to 85"),
        ((*TARGET, "--sun-below", "3"), "6 (bright twilight) to 18"),
        ((*TARGET, "--ahead", "4000"), "at most 400"),
        ((*TARGET, "--out", "night.pdf"), ".png, .svg or .html"),
        ((*TARGET, "--optics", "400mm"), "f-ratio or aperture"),
        ((*TARGET, "--chip", "3.76um,reed=2"), "'reed=2' is not understood"),
        ((*TARGET, "--chip", "3.76um,2.9um"), "is there twice"),
        ((*TARGET, "--chip", "bits=30"), "adc_bits = 30; needed are 8 to 24"),
        ((*TARGET, "--filter", "dual7nm"), "did you mean dual-7nm"),
        ((*TARGET, "--filter", "halpha-7nm", "--line", "oiii=20"), "passes nothing of the target"),
        ((*TARGET, "--kind", "nebula"), "no such kind of target"),
        ((*TARGET, "--kind", "dust", "--surface", "22"), "one of the two"),
        ((*TARGET, "--clear", "40"), "go with --goal"),
        ((*TARGET, "--goal", "-1"), "--goal -1: 0.1 to 100000 is needed"),
        ((*TARGET, "--goal", "10", "--clear", "150"), "--clear 150: 0.1 to 100 is needed"),
        ((*TARGET, "--extinction", "2"), "0.05 to 1"),
    ],
)
def test_bad_input_of_a_plan_is_one_clear_line(command, words, said):
    done = command(*PLAN, *words)
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize(
    ("site", "said"),
    [
        ("138,31", "swapped"),
        ("95,200", "-90 to 90"),
        ("ledge", "give --site LATITUDE,LONGITUDE,HEIGHT"),
        ("31.5N,38S", "say two things"),
        ("31.5,-38,90000", "metres above the sea"),
    ],
)
def test_bad_sites_are_one_clear_line(command, site, said):
    done = command("plan", "--site", site, *TARGET)
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[site.ledge]\nlatitude_deg = 31.5", "site.ledge.longitude_deg"),
        ("[site.ledge]\nlatitude_deg = 31.5\nlongitud_deg = 3", "longitud_deg"),
        ("[sites.ledge]\nlatitude_deg = 31.5", "did you mean site"),
        ("[site.other]\nlatitude_deg = 31.5\nlongitude_deg = 3", "other"),
        ("[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = 3\nhorizon = 'none.csv'", "none.csv"),
        ("site.ledge", "no '=' after the name"),
    ],
)
def test_bad_files_of_sites_are_one_clear_line(command, tmp_path, text, said):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    done = command("plan", "--site", "ledge", "--sites", path, *TARGET)
    assert done.code == 2
    assert said in done.line


def test_no_darkness_is_said_with_what_to_do(command):
    done = command("plan", "--site", "55,20", "--target", "10,60", "--date", "2031-06-21")
    assert done.code == 2
    assert "--sun-below 11.5" in done.line
    done = command(
        "plan", "--site", "55,20", "--target", "10,60", "--date", "2031-06-21", "--sun-below", 11.5
    )
    assert done.code == 0
    assert "assumed: twilight adds no light" in done.out


def test_wide_gaps_of_a_skyline_are_told(command, own, tmp_path):
    words = ("plan", "--sites", own, "--site", "ledge", *TARGET, "--date", "2031-08-07")
    assert "straight lines over up to 120 degrees" in command(*words).out
    rows = "".join(f"{azimuth},5\n" for azimuth in range(0, 360, 45))
    (tmp_path / "line.csv").write_text("az,alt\n" + rows)
    assert "straight lines" not in command(*words).out


def test_charts_and_pages_are_written(command, tmp_path):
    for name in ("night.png", "night.svg", "night.html"):
        assert command(*PLAN, *TARGET, "--ahead", 3, "--out", tmp_path / name).code == 0
    assert {path.name for path in tmp_path.glob("night*")} == {
        "night.png", "night.svg", "night.html", "night-ahead.png", "night-ahead.svg",
    }  # fmt: skip
    assert (tmp_path / "night.png").read_bytes().startswith(b"\x89PNG")
    done = command(*PLAN, *TARGET, "--out", tmp_path / "none" / "night.png")
    assert done.code == 2
    assert "choose another folder" in done.line


def test_objects_are_listed_where_no_target_is_named(command):
    done = command(*PLAN, "--optics", "400mm,f/5", "--filter", "dual-7nm")
    assert done.code == 0
    assert "objects that suit a field of 3.34 x 2.21 degrees" in done.out
    assert "nebula" in done.out
    assert "galaxy " not in done.out


def test_no_network_is_asked_for(command):
    with no_network() as asked:
        done = command("plan", *SITE, *TARGET, "--date", "2060-08-07")
    assert (done.code, asked) == (0, [])
