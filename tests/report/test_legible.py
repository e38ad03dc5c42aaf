"""Text stands out from its ground in both colour schemes, and no line begins with a per cent sign."""

import re
from importlib.resources import files

import pytest

from fourlight.report.opening import lead
from invented_run import summary

STYLE = (files("fourlight.report") / "style.css").read_text(encoding="utf-8")
GROUNDS = {"paper": ("ink", "soft", "accent", "aside"), "panel": ("ink",), "warn-back": ("warn-ink",)}
BARS = ("r", "g1", "g2", "b")
SCHEMES = re.findall(r":root \{(.*?)\}", STYLE, flags=re.DOTALL)[:2]


def colours(scheme):
    return dict(re.findall(r"--([\w-]+): #([0-9a-f]{3,6})\b", scheme))


def luminance(code):
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    code = code if len(code) == 6 else "".join(2 * letter for letter in code)
    parts = [int(code[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_of_contrast_is_that_of_the_standard():
    assert contrast("fff", "000") == pytest.approx(21)  # WCAG 2.2: ratios range from 1 to 21
    assert contrast("777777", "ffffff") == pytest.approx(
        4.48, abs=0.01
    )  # W3C's example of a near miss, from memory


@pytest.mark.parametrize("scheme", SCHEMES, ids=["light", "dark"])
def test_text_reaches_the_contrast_of_level_aa(scheme):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1."""
    found = colours(scheme)
    pairs = [(text, ground) for ground, texts in GROUNDS.items() for text in texts]
    for text, ground in pairs:
        assert contrast(found[text], found[ground]) >= 4.5, (text, ground)


@pytest.mark.parametrize("scheme", SCHEMES, ids=["light", "dark"])
def test_bars_and_lines_stand_out_from_the_page(scheme):
    """WCAG 2.2, success criterion 1.4.11: 3 to 1 for what is no text."""
    found = colours(scheme)
    for bar in BARS:
        assert contrast(found[bar], found["paper"]) >= 3, bar


def test_a_per_cent_sign_stays_with_its_number():
    assert "%" in lead(summary())
    assert " %" not in lead(summary())
