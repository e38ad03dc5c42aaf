"""Benchmarks say what they ask for, and leave nothing of the program changed."""

import importlib
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.stages import geometry
from fourlight.stages.claim_file import shipped

BENCHMARKS = str(Path(__file__).parents[1] / "benchmarks")


@pytest.mark.parametrize(("second", "reached"), [(1.0, "yes"), (1.03, "no"), (0.9, "yes")])
def test_a_table_accepts_what_it_says_it_wants(monkeypatch, second, reached):
    """Processor time per light where there are four times as many lights."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    tables = importlib.import_module("speed_tables")
    cost = {
        count: {"peak_bytes": 1e9, "cpu_s": each * count, "memory": "own"}
        for count, each in ((24, 1.0), (96, second))
    }
    row = tables._memory({str(count): found for count, found in cost.items()})[-1]
    what, wanted, _, said, _ = (cell.strip() for cell in row.strip("|").split("|"))
    assert what == "processor time per light, 96 over 24 lights"
    assert (wanted, said) == ("<= 1", reached)


@pytest.mark.parametrize(("slow", "reached"), [(4, "yes"), (6, "no")])
def test_the_page_is_as_quick_as_wanted_where_95_of_100_are(monkeypatch, slow, reached):
    monkeypatch.syspath_prepend(BENCHMARKS)
    drawn = np.where(np.arange(100) < slow, 130.0, 40.0)
    row = importlib.import_module("page").table({"sort": np.stack([drawn - 30, drawn], axis=1)}, 500)[-1]
    what, laid_out, shown, wanted, said = (cell.strip() for cell in row.strip("|").split("|"))
    assert (what, wanted, said) == ("sort", "< 100", reached)
    assert laid_out.startswith("10,")
    assert shown.endswith("130")


def test_tiles_have_their_size_again_where_a_benchmark_fails(monkeypatch):
    """The second stack, whose tiles are smaller, cannot be made."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    stars = importlib.import_module("limit_stars")
    usual, seen = geometry.TILE_BYTES, []

    @contextmanager
    def once(*_, **__):
        seen.append(geometry.TILE_BYTES)
        if len(seen) > 1:
            raise RuntimeError
        yield SimpleNamespace(plane=lambda _: np.ones((4, 4)))

    monkeypatch.setattr(geometry, "TILE_BYTES", usual)  # whatever happens, other tests have it
    monkeypatch.setattr(stars, "made", once)
    with pytest.raises(RuntimeError):
        next(stars.seams())
    assert seen == [usual, usual / 12]
    assert usual == geometry.TILE_BYTES


def test_every_shipped_claim_is_tried_on_lights_with_known_truth(monkeypatch):
    """With an effect that no run should miss, and with none that matters, in the largest plan of each case."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    trials = importlib.import_module("null_cases")
    cases = trials.cases()
    assert {claim.name for claim in shipped()} <= {case.claim.name for case in cases}
    told = {"supported": set(), "contradicted": set()}
    for case in cases:
        sky = trials.skies(case)[-1]
        for size, verdict in ((case.far, "supported"), (case.none, "contradicted")):
            found = trials.rates(case, sky, size, 4)
            assert getattr(found, {"supported": "contradicted", "contradicted": "supported"}[verdict]) == 0
            told[verdict] |= {case.claim.name} if getattr(found, verdict) >= 0.75 else set()
    assert {claim.name for claim in shipped()} <= told["supported"]
    assert len(told["contradicted"]) >= 6


def test_a_table_of_resolution_holds_what_was_found_against_the_true_or_the_limit(monkeypatch):
    """Rows with a reason are left out; detail finer than is claimed counts as found where the limit was."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    fineness = importlib.import_module("fineness")
    known = {"count": 10, "width": 2.0, "method": "drizzle", "grid": "1x", "half_bit": 0.1, "limit": 1 / 3}
    rows = [
        fineness.Row(**known, plane="R", found=0.19, low=0.18, high=0.2, true=0.2, reason=""),
        fineness.Row(**known, plane="G", found=1 / 3, low=1 / 3, high=1 / 3, true=0.4, reason=""),
        fineness.Row(
            **known, plane="B", found=np.nan, low=np.nan, high=np.nan, true=0.1, reason="not dithered"
        ),
    ]
    cells = [cell.strip() for cell in fineness.table(rows).splitlines()[-1].strip("|").split("|")]
    assert cells[4:] == ["0.200-0.400", "-2.5 %", "-5.0 %", "100 %", "1 of 2"]


def test_planned_signal_over_noise_is_that_of_simulated_lights(monkeypatch):
    """For one setup of two lines under the Moon, to 5 %; the table of the page has twenty."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    planning = importlib.import_module("planning")
    monkeypatch.setattr(planning, "SIZE", (240, 160))
    monkeypatch.setattr(planning, "LIGHTS", 8)
    rng = np.random.default_rng(3)
    setup = next(
        one for one in iter(lambda: planning.drawn(rng), None) if "oiii" in one.target.rayleigh and one.moon
    )
    wanted, got = planning.planned(setup), planning.simulated(setup, 7)
    sure = {name: value for name, (value, error) in got.items() if error < 0.015 * value}
    assert len(sure) >= 2
    for name, value in sure.items():
        assert wanted[name] == pytest.approx(value, rel=0.05), name


def test_the_table_of_star_colours_counts_pulls_and_fields(monkeypatch):
    """Two fields whose zero points are off by one and by three of their errors."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    table = importlib.import_module("star_colours")
    fields = [
        table.Field(True, 50, dict.fromkeys("RGB", (off, 0.01)), {}, [("V", off, 0.01)], right)
        for off, right in ((0.01, True), (-0.03, False))
    ]
    for field in fields:
        field.white.update(dict.fromkeys("RGB", (0.0, 0.01)))
    lines = list(table.tables(fields))
    cells = [cell.strip() for cell in lines[2].strip("|").split("|")]
    assert cells == [
        "zero point R, camera named",
        "2",
        "-0.010",
        "0.022",
        "0.030",
        "0.010",
        "2.24",
        "0%",
        "50%",
    ]
    assert "mosaic told in 2, rightly in 1" in lines[-1]


def test_fields_of_star_colours_stand_high(monkeypatch):
    """Their header, their site and their nights agree: the air that reddens them is that of the calibration."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    table = importlib.import_module("star_colours")
    for seed in range(20):
        scene = table.scene_of(seed)
        assert 0 <= scene.nights[0].zenith_deg < 65
        assert scene.stars.catalogue


@pytest.mark.parametrize("common", [0.0, 0.3])
def test_noise_that_all_lights_have_in_common_bounds_what_more_lights_tell(monkeypatch, common):
    """Of n lights of variance v with a variance d in common, the mean has v / n + d."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    truth = importlib.import_module("line_truth")
    count, sky, still = 12, 4.0, 2.0
    light = np.ones((3, 5, 5))
    left = truth._left(
        light, np.ones(count), np.full((count, 3), sky), still, np.full((count, count), common)
    )
    own = (1.0 + sky + still) / count
    np.testing.assert_allclose(left, own / (own + common))


def test_lights_share_what_their_blocks_share_on_the_sensor(monkeypatch):
    """Two lights a quarter of a block apart along both axes share 9 of 16 parts; those a block apart nothing."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    truth = importlib.import_module("line_truth")
    moved = {0: (0.0, 0.0), 1: (2.0, 2.0), 2: (8.0, 0.0)}
    fake = SimpleNamespace(
        shape=(100, 100),
        matrix_of=lambda frame: np.array([[1.0, 0, moved[frame][0]], [0, 1.0, moved[frame][1]]]),
    )
    found = truth._overlap(fake, {"frames": [0, 1, 2]}, 8)
    np.testing.assert_allclose(found, [[1, 9 / 16, 0], [9 / 16, 1, 3 / 16], [0, 3 / 16, 1]])
