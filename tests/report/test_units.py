"""Words for what was counted follow the unit: electrons only where the gain is known."""

import re

import numpy as np

from fourlight.report.page import page
from invented_run import summary
from parsed_page import parsed


def shown(facts):
    text = page(facts, np.zeros((4, 4, 3), np.float32), {"R": np.eye(8, dtype=np.float32)}, {})
    return re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)


def test_with_an_unknown_gain_nothing_is_called_electrons():
    facts = summary()
    facts["unit"] = "adu"
    for name in ("gain_e_per_adu", "read_noise_e"):
        facts["noise"][name] = None
    text = shown(facts)
    assert "lectron" not in text  # in drawings and their titles neither
    assert "e⁻" not in text
    assert "Of all signal collected" in text
    assert "Share of signal" in text


def test_with_a_known_gain_electrons_are_named():
    text = parsed(shown(summary())).text
    assert "Of all electrons collected" in text
    assert "Share of electrons" in text
