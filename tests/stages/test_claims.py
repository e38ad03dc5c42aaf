"""Claims of a whole run: each shipped one found where it is true, refuted where it is not, and why where untold."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from claim_series import claim, columns, series
from fourlight.stages.claim_file import loads, shipped
from fourlight.stages.claims import Finding, findings
from fourlight.stages.series import Series

M = 48


def run(true: bool) -> Series:
    """Sixty lights in four nights, every second one moonlit, and stacks, for which all claims are true, or none."""
    rng = np.random.default_rng(4)
    n, night = 60, np.repeat(np.arange(4), 15)
    moonlit, warm = np.isin(night, (1, 3)), np.tile(np.arange(15) < 8, 4)
    green = 0.06 if true else 0.6
    clear = np.exp(rng.normal(0, 0.1, n)) * np.where((night == 0) & true, 2.0, 1.0)
    light = clear**2 * np.where(moonlit & true, 0.4, 1.0)
    base = columns(R=(1 - green) / 2, G1=green / 2, G2=green / 2, B=(1 - green) / 2, G=green)

    def measured(values: np.ndarray) -> np.ndarray:
        return values * np.exp(rng.normal(0, 0.01, (len(values), 5)))

    def stack(**changes: float) -> dict[str, np.ndarray]:
        shadow = np.exp(changes.get("uneven", 0.0) * rng.normal(size=(M, 1)))
        return {
            "noise": measured(np.full((M, 5), changes.get("noise", 1.0))),
            "signal": measured(np.full((M, 5), 100 * changes.get("signal", 1.0)) * shadow),
            "level": measured(np.full((M, 5), 160.0) * shadow),
            "width_px": measured(np.full((M, 5), 2.5 * changes.get("width_px", 1.0))),
        }

    return series(
        n, 4,
        temperature_c=np.where(warm, 5.0, -10.0) + rng.normal(0, 0.1, n),
        moon_altitude_deg=np.where(moonlit, 40.0, -40.0),
        values={
            "information": measured(light[:, None] * base),
            "noise": measured(np.where(warm & true, 1.2, 1.0)[:, None] * np.ones((1, 5))),
            "sky": measured(np.ones((n, 5))),
            "transparency": measured(clear[:, None] * np.ones((1, 5))),
            "width_px": measured(np.ones((n, 1)) * np.where(true, columns(R=1.1, G1=1, G2=1, B=1, G=1), 1.0)),
        },
        patches={
            "as run": stack(),
            "no darks": stack(noise=1.3 if true else 1.0),
            "no flats": stack(uneven=0.1 if true else 0.0),
            "without the worst tenth": stack(**({"signal": 1.2, "width_px": 0.9} if true else {})),
            "twice finer grid": stack(width_px=0.8 if true else 1.0),
            "half of the lights": stack(noise=1.41 if true else 1.0),
        },
    )  # fmt: skip


@pytest.mark.parametrize(("true", "verdict"), [(True, "supported"), (False, "contradicted")])
def test_every_shipped_claim_is_told(true: bool, verdict: str) -> None:
    """One claim of nights alone is true of the first of four nights only, and about the others the rest of it."""
    found = {each.claim: each for each in findings(run(true), shipped())}
    nights = {name: each.verdict for name, each in found.items() if name.startswith("one night differed")}
    assert len(nights) == 4
    others = {name: each.verdict for name, each in found.items() if name not in nights}
    assert set(others.values()) == {verdict}, others
    if true:
        assert nights["one night differed from the others (2031-08-10)"] == "supported"
    for each in found.values():
        assert each.low <= each.effect <= each.high
        assert each.sentence.startswith(each.verdict.capitalize())
        assert each.would_need is None or each.verdict == "cannot tell"
    assert found["the Moon night hurt (R)"].scope == "nights like these"
    assert found["darks were needed (R)"].scope == "these frames"


def test_nothing_is_told_where_nothing_is_known() -> None:
    """Every claim says in one line what it lacks."""
    found = findings(series(30, absent={"no darks": "no darks were given"}), shipped())
    assert {each.verdict for each in found} == {"cannot tell"}
    assert all(each.p is None and each.low is None for each in found)
    said = {each.claim: each.sentence for each in found}
    assert said["darks were needed (B)"] == "Cannot tell: no darks: no darks were given."
    assert said["green is idle"] == "Cannot tell: the information of single lights was not measured."
    assert said["one night differed from the others"] == "Cannot tell: 1 night found; 2 are needed."
    assert findings(series(0), shipped())[0].verdict == "cannot tell"


def test_findings_are_plain_numbers_and_words() -> None:
    """For a file: no NaN, no infinity."""
    for given in (run(True), series(10)):
        for each in findings(given, shipped()):
            assert json.loads(json.dumps(each.as_dict(), allow_nan=False))["verdict"] == each.verdict


def test_two_nights_are_one_claim_and_three_are_three() -> None:
    better = [each for each in shipped() if each.name.startswith("one night")]
    for nights, expected in ((2, ["(2031-08-10)"]), (3, ["(2031-08-10)", "(2031-08-11)", "(2031-08-12)"])):
        given = series(
            30, nights, values={"information": columns(G=np.random.default_rng(5).uniform(1, 2, 30))}
        )
        found = findings(given, better)
        assert [each.claim.split()[-1] for each in found] == expected
        assert all(each.scope == "these frames" for each in found)
    assert "lights of night 2031-08-10 had" in found[0].sentence
    assert "of lights of the other nights" in found[0].sentence


def test_lights_of_no_known_night_are_no_night() -> None:
    """Two dated nights and lights without a date: one night against the other, and no night without a name."""
    better = [each for each in shipped() if each.name.startswith("one night")]
    given = series(30, 3, values={"information": columns(G=np.random.default_rng(5).uniform(1, 2, 30))})
    nights = tuple("" if night.endswith("12") else night for night in given.nights)
    found = findings(replace(given, nights=nights), better)
    assert [each.part for each in found] == ["2031-08-10"]
    assert "had" in found[0].sentence
    assert "lights of night  " not in found[0].sentence
    brought = given.values["information"][:, 4]
    assert found[0].effect == pytest.approx(brought[:10].mean() / brought[10:20].mean())
    (none,) = findings(replace(given, nights=("",) * 30), better)
    assert none.sentence == "Cannot tell: 0 nights found; 2 are needed."
    first = [claim(of="first night", against="last night", quantity="information", planes=("G",))]
    assert findings(replace(given, nights=("",) * 30), first)[0].sentence.endswith(
        "the night of no light is known."
    )


@pytest.mark.parametrize("factor", [0.3, 3.0])
def test_a_night_that_differs_is_told_with_its_direction(factor: float) -> None:
    """A claim of both directions says neither by its name: the number does."""
    asked = next(each for each in shipped() if each.name == "one night differed from the others")
    rng, first = np.random.default_rng(8), np.arange(60) < 15
    brought = np.where(first, factor, 1.0) * np.exp(rng.normal(0, 0.05, 60))
    given = series(60, 4, values={"information": columns(G=brought)})
    found = findings(given, [asked])[0]
    assert found.verdict == "supported"
    assert float(found.sentence.split(" had ")[1].split(" times ")[0]) == pytest.approx(factor, rel=0.1)


def test_how_many_more_are_needed_is_said() -> None:
    rng = np.random.default_rng(6)
    ratio = np.exp(0.05 + rng.normal(0, 0.08, 30))
    (found,) = findings(series(30, values={"width_px": columns(R=ratio, G=1.0)}), [claim(matters=1.04)])
    assert found.verdict == "cannot tell"
    assert found.would_need is not None
    assert found.would_need.of == "lights"
    assert found.would_need.in_all == 30 + found.would_need.more
    assert f"About {found.would_need.more} more lights like these would tell" in found.sentence


def test_that_no_number_of_lights_is_near_is_said() -> None:
    rng = np.random.default_rng(6)
    ratio = np.exp(rng.normal(0, 0.5, 30))
    (found,) = findings(series(30, values={"width_px": columns(R=ratio, G=1.0)}), [claim(matters=1.02)])
    assert found.would_need is None
    assert found.sentence.endswith(
        "To tell is out of reach: it would take more than 10 times as many lights like these."
    )


def test_pairs_are_counted_in_lights() -> None:
    rng = np.random.default_rng(7)
    halves = claim(
        of="half A", against="half B", quantity="noise", planes=("R",), direction="either", matters=1.05
    )
    (found,) = findings(series(20, values={"noise": columns(R=np.exp(rng.normal(0, 0.1, 20)))}), [halves])
    assert found.would_need is not None
    assert found.would_need.in_all - found.would_need.more == 20


def test_a_claim_among_many_that_would_hold_alone_says_so() -> None:
    """Thirty claims with nothing to them, and one with an effect that grows: untold, told alone, told among all."""
    rng = np.random.default_rng(8)
    widths = columns(R=1.0, G1=1.0, G2=1.0, B=1.0, G=1.0) * np.exp(rng.normal(0, 0.1, (40, 5)))
    given = series(40, 1, values={"width_px": widths})
    bars = {"matters": 1.0001, "direction": "more"}

    def found_with(effect: float) -> Finding:
        shifted = widths.copy()
        shifted[:, 0] *= np.exp(effect - np.log(widths[:, 0] / widths[:, 4]).mean())
        nothing = [claim(name=f"nothing {k}", of="B", **bars) for k in range(30)]
        return findings(
            series(40, 1, values={**given.values, "width_px": shifted}), [claim(**bars), *nothing]
        )[0]

    told = [found_with(effect) for effect in np.linspace(0.0, 0.6, 25)]
    between = [each for each in told if each.p < 0.05 and each.verdict == "cannot tell"]
    assert between
    assert all("Alone it would be told; of 31 claims tested together" in each.sentence for each in between)
    for each in between:  # alone they would need none; what is named is what the other thirty ask for
        assert each.would_need is None or each.would_need.in_all > 40
    assert any(each.would_need and each.would_need.more > 4 for each in between)
    assert told[-1].verdict == "supported"


def test_an_effect_too_small_to_matter_is_contradicted_and_named() -> None:
    ratio = np.exp(0.01 + np.random.default_rng(9).normal(0, 0.002, 40))
    (found,) = findings(series(40, values={"width_px": columns(R=ratio, G=1.0)}), [claim()])
    assert found.verdict == "contradicted"
    assert found.sentence.endswith("There is an effect, but one too small to matter.")


def test_slopes_and_users_own_claims_are_tested_alike() -> None:
    own = loads(
        '[[claims]]\nname = "noise grows"\nquestion = "Does it?"\nquantity = "noise"\ncompare = "slope"\n'
        'over = "temperature"\nstep = 10\nplanes = ["R"]\nnull = 1.0\nmatters = 1.03\ndirection = "more"\n'
    )
    warm = np.linspace(0, 20, 40)
    noise = np.exp(0.02 * warm + np.random.default_rng(10).normal(0, 0.01, 40))
    (found,) = findings(series(40, temperature_c=warm, values={"noise": columns(R=noise)}), own)
    assert found.verdict == "supported"
    assert found.effect == pytest.approx(np.exp(0.2), rel=0.02)
    assert found.unit == "times for 10 C more temperature"


def test_what_changed_only_together_is_not_told_apart() -> None:
    """The sky brightens exactly as the sensor warms."""
    asked = claim(of="all lights", against="", compare="slope", quantity="noise", over="temperature",
                  at_equal=("sky",), planes=("R",))  # fmt: skip
    warm = np.linspace(0, 20, 30)
    values = {"noise": columns(R=np.exp(warm / 50)), "sky": columns(R=np.exp(warm / 10))}
    (found,) = findings(series(30, temperature_c=warm, values=values), [asked])
    assert found.sentence == "Cannot tell: the values at hand do not tell it apart from what else changes."
