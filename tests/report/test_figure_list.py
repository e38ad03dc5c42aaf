"""The list of figures holds every file that figures are written to, and no other."""

from pathlib import Path

import numpy as np
import pytest

from fourlight.pipeline.sky_files import OF_SKY
from fourlight.report import figures
from fourlight.report.figure_list import FILES, figure_list
from fourlight.report.figures import write_figures


@pytest.fixture
def names(monkeypatch, tmp_path):
    """Names that `write_figures` writes to, without drawing."""
    monkeypatch.setattr(
        figures,
        "_written",
        lambda folder, name, make, width, vector=True: [
            folder / f"{name}{'' if width == figures.WIDE else '-narrow'}.{kind}"
            for kind in ("png", "svg")[: 1 + vector]
        ],
    )
    monkeypatch.setattr(figures, "write_animation", lambda path, data: path.touch())
    part = {"value": 0.3, "low": 0.2, "high": 0.4}
    channels = {
        "resolution": {"R": {}},
        "shares": {"electrons": {"object": dict.fromkeys(("R", "G", "B"), part)}},
    }
    rng = np.random.default_rng(0)
    planes = {name: rng.normal(10, 1, (40, 40)).astype(np.float32) for name in ("R", "G1", "G2", "B")}
    return {path.name for path in write_figures(tmp_path, channels, planes)}


def test_every_file_of_a_figure_has_its_place(names):
    assert names | set(OF_SKY) <= FILES
    listed = {name for each in figure_list({}) for name in each.files}
    assert names - {"without-green.webp"} <= listed
    assert listed <= FILES


def test_no_name_leads_out_of_the_folder():
    assert all(Path(name).name == name for name in FILES)


def test_every_figure_is_told_of_in_sentences():
    for each in figure_list({"scope": "these frames", "lights": 9, "nights": 2}):
        assert each.meaning.endswith(".")
        assert len(each.title) > 5
    assert "these 9 lights" in figure_list({"lights": 9})[0].meaning
