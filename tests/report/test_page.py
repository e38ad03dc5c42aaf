"""The report: whole, self-contained, well-formed, and calm when numbers are missing."""

import copy
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fourlight.errors import OutputError
from fourlight.report import charts
from fourlight.report.moments import Moment, moments
from fourlight.report.page import page, write_report
from fourlight.report.pictures import plane_views, rejected_view
from fourlight.report.shares import share_bar
from invented_run import provenance, summary
from parsed_page import parsed

CHANNELS = ("R", "G", "G1", "G2", "B")


@pytest.fixture(scope="module")
def stack():
    rng = np.random.default_rng(1)
    planes = {name: rng.normal(100, 3, (200, 300)).astype(np.float32) for name in ("R", "G1", "G2", "B")}
    planes["R"][80:120, 100:200] += 60
    planes["B"][:20] = np.nan
    return rng.uniform(0, 1, (200, 300, 3)).astype(np.float32), planes


@pytest.fixture(scope="module")
def made(stack):
    return page(summary(), stack[0], stack[1], provenance())


def test_page_is_well_formed_and_self_contained(made):
    tree = parsed(made)
    assert not any(tag in ("script", "link", "iframe") for tag, _ in tree.tags)
    for _, attributes in tree.tags:
        for name in ("src", "href", "srcset", "data"):
            assert (attributes.get(name) or "data:").startswith("data:")
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", made)
    assert "@import" not in made
    assert "url(" not in made


def test_every_picture_and_chart_says_what_it_shows(made):
    tree = parsed(made)
    pictures = [a for tag, a in tree.tags if tag == "img"]
    assert len(pictures) == 9
    assert all(len(a["alt"]) > 10 for a in pictures)
    drawings = [a for tag, a in tree.tags if tag == "svg"]
    assert len([a for a in drawings if a["class"] != "chart slim"]) == 6
    assert len(drawings) == 10, "charts over time twice: a style sheet shows the one that fits the screen"
    assert all(a["role"] == "img" and len(a["aria-label"]) > 10 for a in drawings)


def test_page_holds_what_the_issue_asks_in_its_order(made):
    text = parsed(made).text
    marks = [
        "Lantern Nebula",
        "22 lights",
        "The header and the pixels disagree",
        "The four planes under one stretch",
        "the data are never changed",
        "What each plane holds",
        "Frames over time",
        "stars are trailed",
        "What was assumed",
        "No darks: defective samples",
        "How to make it again",
        "fourlight run --again",
    ]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    assert "1 h 6 min" in text
    assert "5.27" in text  # 2.715 px at 1.94 arcsec
    assert "GBRG" in text


@pytest.mark.parametrize("gone", sorted(summary()))
def test_any_missing_part_is_left_out_calmly(gone, stack):
    facts = summary()
    for value in (None, "absent"):
        changed = copy.deepcopy(facts)
        if value is None:
            changed[gone] = None
        else:
            del changed[gone]
        text = parsed(page(changed, stack[0], stack[1], {})).text
        assert "None" not in text
        assert "nan" not in text.split()


def test_a_nearly_empty_summary_still_makes_a_page(stack):
    text = parsed(page({}, stack[0], {}, {})).text
    assert "Deep-sky stack" in text
    assert "None" not in text


def test_names_from_headers_cannot_break_the_page(stack):
    facts = summary()
    facts["object"] = "<script>alert(1)</script>"
    facts["frames"][0]["file"] = 'a"><img src=x onerror=1>.fits'
    facts["set_aside"][0]["reason"] = '<b>bold</b> & "quoted"'
    tree = parsed(page(facts, stack[0], stack[1], {}))
    assert not any(tag in ("script", "b") for tag, _ in tree.tags)
    assert not any("onerror" in attributes for _, attributes in tree.tags)


def test_report_is_written_whole(tmp_path, stack):
    write_report(tmp_path, summary(), stack[0], stack[1], provenance())
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(OutputError):
        write_report(tmp_path / "nowhere", {}, stack[0], {}, {})


def test_charts_are_xml_and_mark_frames_set_aside():
    order = moments(summary())
    assert len(order) == 25
    assert [m.file for m in order if m.reason] == [
        "lantern_005.fits",
        "lantern_009x.fits",
        "lantern_017.fits",
    ]
    for key, per_plane in (("fwhm_px", True), ("stars", False)):
        root = ET.fromstring(charts.over_time(order, key, key, per_plane=per_plane))
        crosses = [e for e in root.iter() if (e.get("class") or "").startswith("aside")]
        assert len(crosses) == 3
        markers = [e for e in root.iter() if (e.get("class") or "").startswith("f-")]
        assert len(markers) == 22 * (4 if per_plane else 1)


def test_charts_survive_one_frame_gaps_and_equal_values():
    one = [Moment("a.fits", "", "", {"stars": 5})]
    assert "<circle" in charts.over_time(one, "stars", "Stars", per_plane=False)
    some = [Moment(f"{k}", "n", "", {"sky": {"R": 2.0, "G1": float("nan"), "B": None}}) for k in range(3)]
    root = ET.fromstring(charts.over_time(some, "sky", "Sky", per_plane=True))
    assert len([e for e in root.iter() if e.get("class") == "f-R"]) == 3
    assert not [e for e in root.iter() if e.get("class") == "f-G1"]
    assert charts.over_time(some, "fwhm_px", "Width", per_plane=True) == ""
    assert charts.over_time([], "sky", "Sky", per_plane=True) == ""


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (2.41, 3.19), (0, 1e-4), (120, 980), (5, 5), (0, 0), (-3, 4)]
)
def test_ticks_span_the_values_in_round_steps(low, high):
    marks = charts.ticks(low, high)
    steps = np.diff(marks)
    assert marks[0] <= low + 1e-12
    assert marks[-1] >= high - 1e-9 * max(abs(high), 1)
    assert 2 <= len(marks) <= 8
    np.testing.assert_allclose(steps, steps[0], rtol=1e-6)


def test_share_bar_widths_follow_the_shares():
    root = ET.fromstring(share_bar({"R": 0.2, "G1": 0.3, "G2": 0.3, "B": 0.2}, "Light"))
    widths = [float(e.get("width")) + 1.5 for e in root if e.tag == "rect"]
    np.testing.assert_allclose(widths, [128, 192, 192, 128], atol=0.2)
    assert share_bar({"R": None, "B": float("nan")}, "Light") == ""


def test_every_share_is_printed_below_its_bar_whatever_the_width(stack):
    """The bar itself has no text that a narrow screen could cut, and no least width."""
    facts = summary()
    for name, share in zip(("R", "G1", "G2", "B"), (0.9, 0.06, 0.03, 0.01), strict=True):
        facts["planes"][name]["share_of_electrons"] = share
    made = page(facts, stack[0], stack[1], {})
    bar = re.search(r'<svg class="shares".*?</svg>', made)[0]
    assert "<text" not in bar
    assert "sky included Red 90.0 % Green 1 6.0 % Green 2 3.0 % Blue 1.0 %" in parsed(made).text
    style = made[made.index(".shares {") :].split("}")[0]
    assert "min-width" not in style
    assert "object alone" not in made, "stars are above the sky as well"


def test_widths_of_stars_are_told_with_their_errors_and_of_what_they_are(stack):
    """One number for one quantity: of the stack among the planes, of the lights among the channels."""
    facts, width = summary(), {"value": 2.4, "low": 2.3, "high": 2.5, "arcsec": None}
    facts["planes"]["R"]["fwhm_error_px"] = 0.024
    channels = {
        "shares": {
            "electrons": {"stars": {name: {"value": 0.2, "low": 0.1, "high": 0.3} for name in CHANNELS}}
        },
        "regions": {"stars": {}},
        "width": dict.fromkeys(CHANNELS, width),
    }
    alone, both = (parsed(page(facts, *stack, {}, channels=told)).text for told in (None, channels))
    for text in (alone, both):
        assert "2.53 ± 0.05" in text, "95 %: 1.96 standard errors"
        assert "Stars in the stack FWHM, px" in text
    assert "FWHM in the lights, mean of them, pixel taken out" in both
    assert "2.40 ± 0.10 px" in both
    assert "another quantity" in both
    assert "another quantity" not in alone


def test_planes_share_one_curve_and_stay_unchanged(stack):
    _, planes = stack
    before = {name: plane.copy() for name, plane in planes.items()}
    views = plane_views(planes)
    assert [view.name for view in views] == ["R", "G1", "G2", "B"]
    for name, plane in planes.items():
        np.testing.assert_array_equal(plane, before[name])
    twins = plane_views({"G1": planes["G1"], "G2": planes["G1"] + 40})
    assert twins[0].whole[:200] == twins[1].whole[:200]


@pytest.mark.parametrize("shape", [(1, 1), (3, 2), (40, 900), (200, 160)])
def test_planes_of_any_size_are_drawn(shape):
    plane = np.random.default_rng(0).normal(size=shape).astype(np.float32)
    views = plane_views({"R": plane, "B": np.full(shape, np.nan, dtype=np.float32)})
    assert [view.name for view in views] == ["R"]


@pytest.mark.parametrize("size", [60, 900])
def test_rejected_samples_beside_a_hole_are_drawn_as_without_it(size):
    """Where the stack holds nothing, nothing was rejected; warnings are errors here."""
    counts = np.zeros((size, size), dtype=np.float32)
    counts[size // 2] = 2
    holed = counts.copy()
    holed[3:7, 3:9] = np.nan
    before = holed.copy()
    assert rejected_view(holed, 300) == rejected_view(counts, 300) != ""
    np.testing.assert_array_equal(holed, before)
    assert rejected_view(np.full((size, size), np.nan, dtype=np.float32)) == ""


def test_what_counts_as_object_is_said_beside_its_shares_and_its_difference_from_the_pictures_sky(stack):
    shares = {name: {"value": 0.2, "low": 0.1, "high": 0.3} for name in CHANNELS}
    found = {
        "shares": {"electrons": {"object": shares}},
        "regions": {"object": {"share_of_stack": 0.734}, "sky": {"share_of_stack": 0.036}},
    }
    text = parsed(page(summary(), *stack, {}, channels=found)).text
    assert "stands out of the noise of the sky, but for stars: 73 % of the stack" in text
    assert "The sky of the picture is another choice" in text
    del found["regions"]["object"]
    assert "The sky of the picture" not in parsed(page(summary(), *stack, {}, channels=found)).text
