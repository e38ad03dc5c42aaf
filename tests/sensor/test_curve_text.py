"""A user's own curves: every way of writing them that is clear, and a line for every one that is not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.errors import InputError
from fourlight.sensor.curve_text import camera_from_text, filter_from_text
from fourlight.sensor.sensors import SENSORS, TABLE_ERROR, sensor

NM = np.arange(400.0, 701.0, 5.0)
RED, GREEN, BLUE = (
    height * np.exp(-0.5 * ((NM - centre) / 40.0) ** 2)
    for centre, height in ((600, 0.7), (540, 0.8), (460, 0.6))
)
NAMES = ("wavelength_nm", "red", "green", "blue")


def table(*columns, names=NAMES, sign=",", decimal=".", comment="", form="{:.4f}"):
    rows = [
        sign.join(form.format(value).replace(".", decimal) for value in row)
        for row in zip(*columns, strict=True)
    ]
    return "\n".join([comment + sign.join(names), *rows]) + "\n"


PLAIN = table(NM, RED, GREEN, BLUE)
"""In nm and fractions, with commas and points."""


def same(camera, tolerance=1e-4):
    assert camera.range_nm == pytest.approx((NM[0], NM[-1]))
    np.testing.assert_allclose(camera.at(NM), [RED, GREEN, BLUE], atol=tolerance)
    return True


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\ufeff# made up\n\n" + PLAIN + "\n# the end\n",
        PLAIN.replace("\n", "\r\n"),
        table(NM, RED, GREEN, BLUE, sign=";", decimal=","),
        table(NM, RED, GREEN, BLUE, sign="\t", decimal=","),
        table(NM, RED, GREEN, BLUE, sign="\t"),
        table(NM, RED, GREEN, BLUE, sign=" ", names=("nm", "R", "G", "B")),
        table(NM, RED, GREEN, BLUE, names=("Wavelength (nm)", "Red QE", "Green QE", "Blue QE")),
        table(NM, RED, GREEN, BLUE, names=("lambda", "r", "g", "b"), comment="# "),
        table(NM, GREEN, BLUE, RED, names=("λ [nm]", "g", "b", "r")),
        table(10 * NM, RED, GREEN, BLUE, names=("angstrom", "r", "g", "b")),
        table(10 * NM, RED, GREEN, BLUE, names=("wavelength", "red_qe", "green_qe", "blue_qe")),
        table(NM / 1000, RED, GREEN, BLUE, names=("wavelength_um", "r", "g", "b")),
        table(NM, 100 * RED, 100 * GREEN, 100 * BLUE),
        table(NM, 100 * RED, 100 * GREEN, 100 * BLUE, names=("nm", "R %", "G %", "B %")),
        table(NM, RED, GREEN, BLUE, form='"{:.4f}"', decimal=","),
        table(NM, RED, GREEN, BLUE, RED, names=(*NAMES, "clear")),
        "\n".join(line + "," for line in PLAIN.splitlines()),
    ],
)
def test_one_curve_written_in_many_ways(text):
    camera = camera_from_text(text, "folder/mine.csv")
    assert same(camera)
    assert camera.name == "mine"
    assert camera.scale == "absolute"


def test_columns_that_are_not_used_are_told():
    camera = camera_from_text(table(NM, RED, GREEN, BLUE, RED, names=(*NAMES, "clear")), "mine.csv")
    assert "columns not used: clear" in camera.notes


@pytest.mark.parametrize("names", [("g1", "g2"), ("green_1", "green_2"), ("Gr", "Gb")])
def test_two_greens_stay_two(names):
    text = table(NM, RED, GREEN, 0.9 * GREEN, BLUE, names=("nm", "r", *names, "b"))
    camera = camera_from_text(text, "mine.csv")
    assert camera.channels == ("R", "G1", "G2", "B")
    np.testing.assert_allclose(camera.at(NM)[2], 0.9 * GREEN, atol=1e-4)


@pytest.mark.parametrize("name", sorted(SENSORS))
def test_the_tables_of_the_program_read_as_they_are(name):
    from importlib import resources

    text = resources.files("fourlight.sensor").joinpath("tables", SENSORS[name][0]).read_text("utf-8")
    found, known = camera_from_text(text, f"{name}.csv"), sensor(name)
    assert found.scale == known.scale
    np.testing.assert_allclose(found.curves, known.curves, atol=1e-6)
    np.testing.assert_allclose(found.sigma, known.sigma, atol=1e-6)


@pytest.mark.parametrize(
    ("factor", "names", "scale"),
    [
        (1.0, NAMES, "absolute"),
        (1.25, NAMES, "relative"),
        (0.9, ("nm", "rel_red", "rel_green", "rel_blue"), "relative"),
    ],
)
def test_the_scale_is_known_by_the_highest_value_or_said(factor, names, scale):
    camera = camera_from_text(table(NM, factor * RED, factor * GREEN, factor * BLUE, names=names), "mine.csv")
    assert camera.scale == scale
    assert camera.curves.max() == pytest.approx(0.8 if scale == "absolute" else 1.0, abs=1e-4)


def test_colours_in_units_of_their_own_are_known_as_such():
    camera = camera_from_text(table(NM, RED / 0.7, GREEN / 0.8, BLUE / 0.6), "mine.csv")
    assert camera.scale == "by colour"
    assert camera.sigma[0].max() > 0.1
    assert any("scale of its own" in note for note in camera.notes)


@pytest.mark.parametrize(("given", "used"), [(None, TABLE_ERROR), (0.02, 0.02), (0.0, 0.0)])
def test_an_error_is_assumed_unless_given(given, used):
    camera = camera_from_text(PLAIN, "mine.csv", given)
    sigma = np.sqrt((camera.modes_at(NM) ** 2).sum(axis=0))
    np.testing.assert_allclose(sigma, used * camera.at(NM), atol=1e-12)


def thinned(step):
    return table(NM[::step], RED[::step], GREEN[::step], BLUE[::step])


def changed(line, text):
    rows = PLAIN.splitlines()
    rows[line - 1] = text
    return "\n".join(rows)


UNCLEAR = [
    ("", "no row of numbers is found"),
    ("# only a comment\n", "no row of numbers is found"),
    ("wavelength_nm,red,green,blue\n", "0 rows are found, at least 8 are needed"),
    ("\n".join(PLAIN.splitlines()[:6]), "5 rows are found, at least 8 are needed"),
    (
        "\n".join(PLAIN.splitlines()[1:]),
        "line 1 holds numbers and nothing above names the columns; begin with a line",
    ),
    (table(NM, RED, GREEN, BLUE, names=("nm", "red", "green", "white")), "none is blue; name them such as"),
    (table(NM, RED, GREEN, BLUE, names=("x", "red", "green", "blue")), "none is the wavelength"),
    (table(NM, RED, GREEN, BLUE, names=("nm", "red", "g1", "blue")), "none is G2"),
    (
        table(NM, RED, GREEN, BLUE, RED, names=(*NAMES, "red_error")),
        "'red' and 'red_error' could each be red",
    ),
    (table(NM, RED, GREEN, BLUE, 10 * NM, names=(*NAMES, "angstrom")), "could each be the wavelength"),
    (
        table(NM, RED, GREEN, BLUE, GREEN, names=(*NAMES, "g1")),
        "'green' and 'g1' could each be green; leave one",
    ),
    (table(NM, RED, names=("nm", "transmission")), "looks like the curve of a filter: fourlight filter show"),
    (
        table(NM / 10, RED, GREEN, BLUE),
        "run from 40 to 70; that fits neither nm nor angstrom nor micrometres",
    ),
    (table(10 * NM, RED, GREEN, BLUE), "which are angstrom, but their column is called 'wavelength_nm'"),
    (table(NM + 400, RED, GREEN, BLUE), "runs from 800 to 1100 nm; some of 400 to 700 nm is needed"),
    (thinned(3), "the wavelength leaps by 15 nm; steps of at most 10 nm are needed"),
    (table(NM[::-1], RED, GREEN, BLUE), "line 3 holds 695 after 700; wavelengths must grow"),
    (changed(7, "420,0.1,0.1,0.1"), "line 7 holds 420 after 420; wavelengths must grow"),
    (changed(9, "435,-0.01,0.1,0.1"), "line 9 holds -0.01; values below 0 are none of a curve"),
    (changed(9, "435,nan,0.1,0.1"), "line 9: 'nan' stands where a number is needed"),
    (changed(9, "435,inf,0.1,0.1"), "line 9: 'inf' stands where a number is needed"),
    (changed(9, "435,,0.1,0.1"), "line 9: nothing stands where a number is needed"),
    (changed(9, "435,0.1,0.1,"), "line 9: nothing stands where a number is needed"),
    (changed(9, "435,x,0.1,0.1"), "line 9: 'x' stands where a number is needed"),
    (changed(9, "435,1_0,0.1,0.1"), "line 9: '1_0' stands where a number is needed"),
    (changed(9, "435,0.1,0.1"), "line 9 holds 3 values, 4 columns are named"),
    (
        changed(9, "435,0,1,0,1,0,1"),
        "line 9 holds 7 values, 4 columns are named; where decimals have a comma",
    ),
    (PLAIN.replace(",", ";").replace("0.4", "0,4"), "needed is one decimal sign throughout"),
    (
        table(NM, 1.5 * RED, 1.6 * GREEN, BLUE),
        "the highest value is 1.28, too much for a fraction and little for per",
    ),
    (
        table(NM, RED, GREEN, BLUE, names=("nm", "R %", "G %", "B %")),
        "per cent is stated, but the highest value is 0.8",
    ),
    (
        table(NM, 100 * RED, GREEN, BLUE),
        f"column 'red' goes up to {100 * RED.max():g}, 'green' to {GREEN.max():g}, which may be per cent or a fraction",
    ),
    (
        table(NM, 100 * RED, GREEN, BLUE, names=("nm", "red (%)", "green", "blue")),
        "give all columns in one unit, or write percent into the names of all",
    ),
    (table(NM, 255 * RED, 255 * GREEN, 255 * BLUE), "the highest value is 204; needed are fractions up to 1"),
    (table(NM, 0 * RED, 0 * GREEN, 0 * BLUE), "all values are 0"),
]


@pytest.mark.parametrize(("text", "said"), UNCLEAR)
def test_what_is_unclear_is_refused_in_one_line(text, said):
    with pytest.raises(InputError) as caught:
        camera_from_text(text, "mine.csv")
    line = str(caught.value)
    assert said in line
    assert line.startswith("mine.csv: ")
    assert "\n" not in line
    assert len(line) < 300


@pytest.mark.parametrize("factor", [0.01, 0.0])
def test_a_colour_of_less_than_one_per_cent_is_one_where_it_is_said(factor):
    """Behind a filter for red lines, say; nothing at all is nothing in every unit."""
    said = ("nm", "red %", "green %", "blue %")
    for names in (said, NAMES) if factor == 0 else (said,):
        camera = camera_from_text(
            table(NM, 100 * RED, factor * 100 * GREEN, 0 * BLUE, names=names), "mine.csv"
        )
        assert camera.scale == "absolute"
        assert camera.curves.max(axis=1) == pytest.approx([RED.max(), factor * GREEN.max(), 0.0])


BAND = 0.9 * np.exp(-(((NM - 550.0) / 40.0) ** 4))


@pytest.mark.parametrize(
    "names", [("nm", "t"), ("Wavelength [nm]", "Transmittance"), ("wl", "T"), ("lambda_nm", "transmission")]
)
def test_a_filter_is_read(names):
    found = filter_from_text(table(NM, BAND, names=names), "folder/glass.csv", 2.0)
    assert found.name == "glass"
    assert found.index == 2.0
    np.testing.assert_allclose(found.at(NM), BAND, atol=1e-4)
    assert found.at(399.0) == 0.0


def test_a_filter_in_per_cent_is_the_same():
    one, other = (
        filter_from_text(table(NM, BAND * by, names=("nm", name)), "x.csv")
        for by, name in ((1, "t"), (100, "T(%)"))
    )
    np.testing.assert_allclose(one.at(NM), other.at(NM), atol=1e-4)


def test_a_filter_that_ends_in_the_light_says_so():
    found = filter_from_text(table(NM, 0.9 + 0 * NM, names=("nm", "t")), "open.csv")
    assert any("still passes light at its end, 400 nm and 700 nm" in note for note in found.notes)


def test_a_narrow_filter_in_coarse_steps_is_refused():
    narrow = np.exp(-(((NM - 655.0) / 4.0) ** 2))
    with pytest.raises(InputError, match="has 1 rows above half of its highest value; needed are at least 3"):
        filter_from_text(table(NM, narrow, names=("nm", "t")), "narrow.csv")
    fine = np.arange(640.0, 670.0, 0.5)
    filter_from_text(table(fine, np.exp(-(((fine - 655.0) / 4.0) ** 2)), names=("nm", "t")), "narrow.csv")


def test_curves_of_a_camera_are_no_filter():
    with pytest.raises(InputError, match="looks like the curves of a camera: fourlight camera show"):
        filter_from_text(PLAIN, "mine.csv")


def refusals(text):
    """What is said of a text by those readers that refuse it."""
    said = []
    for read in (camera_from_text, filter_from_text):
        try:
            read(text, "x.csv")
        except InputError as error:
            said.append(str(error))
    return said


@settings(deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_curve_or_one_line(text):
    said = refusals(text)
    assert len(said) == 2, "there is no curve in so little of it"
    assert all(line.startswith("x.csv: ") for line in said)


PARTS = ["400", "500,5", "1.5", "nm", "red", "", "\t", ";", ",", "#", '"', "nan", "\r", "\0"]


@settings(deadline=None)
@given(st.lists(st.lists(st.sampled_from(PARTS)), max_size=12))
def test_any_rows_are_a_curve_or_one_line(rows):
    text = "\n".join("".join(row) for row in rows)
    assert all(line.startswith("x.csv: ") for line in refusals(f"nm;r;g;b\n{text}"))


def test_a_cell_without_end_is_refused():
    (line, _) = refusals("nm,r,g,b\n" + "4" * 200_000 + ",1,1,1")
    assert len(line) < 300
