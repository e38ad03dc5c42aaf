"""What the report says of colour fringes."""

from fourlight.report.fringes import fringe_words


def facts(red=(0.28, 0.1, None), blue=(0.364, 0.2, None), altitude=None):
    keys = ("shift_px", "corner_px", "by_air_px")
    planes = {name: dict(zip(keys, values, strict=True)) for name, values in (("R", red), ("B", blue))}
    return {"fringes": {"planes": planes, "altitude_deg": altitude}}


def test_sizes_are_told():
    said = fringe_words(facts())
    assert "red stood 0.28 px from green and blue 0.36 px" in said
    assert said.startswith("Measured in the middle")
    assert "0.10 px and 0.20 px come on top" in said, "both to the same place"
    assert "dispersion" not in said


def test_what_the_air_explains_is_told_where_it_is_known():
    said = fringe_words(facts((0.28, 0.1, 0.25), (0.36, 0.2, 0.33), [24.6, 31.2]))
    assert "Expected at an altitude of 25° to 31° from the dispersion by the air" in said
    assert "as it is at sea level: 0.25 px and 0.33 px" in said
    assert "altitude of 25° from" in fringe_words(facts((0.28, 0.1, 0.25), (0.36, 0.2, 0.33), [25.1, 25.2]))


def test_nothing_is_said_of_nothing():
    assert fringe_words({}) == ""
    assert fringe_words(facts((0.0, 0.0, 0.3), (0.0, 0.0, 0.4), [20.0, 30.0])) == ""
