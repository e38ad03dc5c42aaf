"""What remarks on lights mean is said on the page and in the documents; the reference light is named as such."""

from pathlib import Path

import numpy as np

from fourlight.frames import FrameFlag
from fourlight.report.page import page
from fourlight.report.remarks import MEANINGS, flag_name
from invented_run import provenance, summary


def test_every_flag_has_a_meaning_that_the_documents_have_too():
    text = (Path(__file__).parents[2] / "docs" / "outputs.md").read_text(encoding="utf-8")
    assert MEANINGS.keys() == {flag for flag in FrameFlag if flag}
    assert [flag for flag, words in MEANINGS.items() if f"`{flag_name(flag)}`: {words}" not in text] == []


def test_remarks_that_occur_are_explained_on_the_page():
    text = page(summary(), np.zeros((4, 6, 3), np.float32), {}, provenance())
    assert f"“bright sky”: {MEANINGS[FrameFlag.BRIGHT_SKY]}" in text
    assert MEANINGS[FrameFlag.CLOUD] not in text, "no light that is used has it"


def test_the_scatter_of_the_reference_light_is_not_a_number():
    facts = summary()
    facts["frames"][3] |= {"file": facts["grid"]["reference"], "rms_px": None}
    text = page(facts, np.zeros((4, 6, 3), np.float32), {}, provenance())
    row = text.partition(f"<tr><td>{facts['grid']['reference']}</td>")[2].partition("</tr>")[0]
    assert "<td>reference</td>" in row
