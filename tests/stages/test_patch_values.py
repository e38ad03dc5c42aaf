"""What is told of a patch, against layers painted with known light and noise."""

from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.stages.geometry import Tile
from fourlight.stages.parts import _fine
from fourlight.stages.stack_layers import OUTPUT_PLANES
from fourlight.stages.treatments import Treatment, _noise, _Part, _told

SIDE = 160


def painted(rng, lights, pattern):
    """Layers of so many lights of noise one, under a pattern that no light averages; halves of as many lights each."""
    planes = {}
    for plane in OUTPUT_PLANES[:4]:
        fixed = pattern * rng.normal(size=(SIDE, SIDE))
        a, b = (fixed + rng.normal(size=(SIDE, SIDE)) * np.sqrt(2 / lights) for _ in range(2))
        planes[plane] = {"value": (a + b) / 2, "value_a": a, "value_b": b}
    planes["G"] = {k: (planes["G1"][k] + planes["G2"][k]) / 2 for k in planes["G1"]}
    return {
        name: SimpleNamespace(
            layers=with_variance({k: v.astype(np.float32) for k, v in parts.items()}, lights)
        )
        for name, parts in planes.items()
    }


def with_variance(layers, lights):
    """Variances as reckoned of lights of noise one, and of halves of half of them."""
    flat = np.ones((SIDE, SIDE), dtype=np.float32)
    return layers | {
        "variance": flat / lights,
        "variance_a": 2 * flat / lights,
        "variance_b": 2 * flat / lights,
    }


@pytest.mark.parametrize("share", [5 / 10, 6 / 13, 8 / 14, 6 / 10])
@pytest.mark.parametrize("pattern", [0.0, 0.2])
def test_noise_is_that_of_half_whatever_share_was_taken(share, pattern):
    """Of variance a + p with all, 2 a + p with half; 1.41 without a pattern. To 3 %, two errors of so many pixels."""
    lights, rng = 20.0, np.random.default_rng(5)
    run = painted(np.random.default_rng(6), lights, pattern)
    few = painted(rng, share * lights, pattern)
    part = _Part(few, run, {}, Tile(0, SIDE, 0, SIDE), np.zeros(5))
    ratio = []
    for taken in (np.full(4, share), None):
        told = _noise(Treatment(None, None, share=taken), part)
        ratio.append(told[4] / _noise(Treatment(None, None), _Part(run, run, {}, part.patch, part.sky))[4])
    true = np.sqrt((2 / lights + pattern**2) / (1 / lights + pattern**2))
    assert ratio[0] == pytest.approx(true, rel=0.03)
    if abs(share - 0.5) > 0.06:
        assert abs(ratio[1] / true - 1) > 0.02, "the share taken matters"


@pytest.mark.parametrize("zoom", [1.0, 2.0])
def test_signal_of_a_patch_is_the_light_above_the_sky(zoom):
    """Object 40 on a sky of 60 per pixel of the reference, on a stack of its grid and on one twice as fine."""
    rng, sky, light = np.random.default_rng(8), np.arange(60.0, 65.0), np.full(5, 40.0)
    run, darker = painted(rng, 20.0, 0.0), painted(rng, 20.0, 0.0)
    for planes, response in ((run, 1.0), (darker, 0.7)):
        for k, plane in enumerate(OUTPUT_PLANES):
            for name, layer in planes[plane].layers.items():
                if name.startswith("value"):
                    layer += response * (sky[k] + light[k]) / zoom**2
    table = SimpleNamespace(zoom=zoom, stars=np.zeros((0, 6)), fwhm_px=np.ones(4), full=np.ones(4))
    base = Treatment(table, None)
    part = _Part(run, run, {}, Tile(0, SIDE, 0, SIDE), sky / zoom**2)
    told = _told(base, base, part)
    assert told["level"] == pytest.approx(sky + light, rel=0.001)
    assert told["signal"] == pytest.approx(light, rel=0.002)
    under = _told(
        Treatment(table, None, "flat"), base, _Part(darker, run, {"flat": np.zeros(5)}, part.patch, part.sky)
    )
    assert under["signal"] == pytest.approx(0.7 * light, rel=0.002), (
        "a shadow lies on the sky as on the object"
    )


def test_noise_of_a_treatment_has_its_sign():
    """Masters whose noise is 0.3 of the lights': red without it is less noisy by just that, as the greens are.

    Half of it averaged by dithers, which the halves show, half common to both; no pattern was there to take off.
    """
    rng, lights = np.random.default_rng(9), 20.0
    bare = painted(rng, lights, 0.0)
    noise, run = 0.3, {}
    for name, plane in bare.items():
        common, a, b = (rng.normal(0, noise / np.sqrt(2), (SIDE, SIDE)).astype(np.float32) for _ in range(3))
        layers = plane.layers | {
            "value_a": plane.layers["value_a"] + common + a,
            "value_b": plane.layers["value_b"] + common + b,
        }
        run[name] = SimpleNamespace(layers={**layers, "value": (layers["value_a"] + layers["value_b"]) / 2})
    for half in ("value", "value_a", "value_b"):
        run["G"].layers[half] = (run["G1"].layers[half] + run["G2"].layers[half]) / 2
    known = {"offset": np.full(5, noise**2 / 2) * fine_share()}
    part = [_Part(planes, run, known, Tile(0, SIDE, 0, SIDE), np.zeros(5)) for planes in (run, bare)]
    before, after = _noise(Treatment(None, None), part[0]), _noise(Treatment(None, None, "offset"), part[1])
    true = np.sqrt((1 / lights) / (1 / lights + noise**2 / 2 + noise**2 / 4))
    assert (after / before)[[0, 3, 4]] == pytest.approx(np.full(3, true), rel=0.06)


def test_red_of_fewer_lights_is_told_without_their_halves():
    """Nine of ten lights: sqrt(10 / 9) times the noise. Halves of nine with holes in them would tell of more."""
    rng, lights = np.random.default_rng(12), 10
    run, few = painted(rng, lights, 0.0), painted(rng, lights - 1, 0.0)
    for plane in OUTPUT_PLANES:
        ten = rng.normal(size=(lights, SIDE, SIDE)).astype(np.float32)
        run[plane].layers |= {
            "value": ten.mean(axis=0),
            "value_a": ten[::2].mean(axis=0),
            "value_b": ten[1::2].mean(axis=0),
        }
        few[plane].layers |= {"value": ten[1:].mean(axis=0), "value_a": 3 * ten[1], "value_b": 3 * ten[2]}
    part = [_Part(planes, run, {}, Tile(0, SIDE, 0, SIDE), np.zeros(5)) for planes in (run, few)]
    ratio = _noise(Treatment(None, None, fewer=True), part[1]) / _noise(Treatment(None, None), part[0])
    assert ratio[[0, 3]] == pytest.approx(np.full(2, np.sqrt(10 / 9)), rel=0.01)


@pytest.mark.parametrize("spread", [1.0, 1.3])
def test_holes_of_halves_are_no_noise_of_the_whole(spread):
    """Halves whose noise spreads over holes are reckoned to have more variance than twice that of the whole."""
    run = painted(np.random.default_rng(13), 20.0, 0.0)
    for plane in run.values():
        middle = plane.layers["value"]
        for half in ("a", "b"):
            plane.layers[f"value_{half}"] = middle + np.float32(spread) * (
                plane.layers[f"value_{half}"] - middle
            )
            plane.layers[f"variance_{half}"] = plane.layers[f"variance_{half}"] * np.float32(spread**2)
    told = _noise(Treatment(None, None), _Part(run, run, {}, Tile(0, SIDE, 0, SIDE), np.zeros(5)))
    assert told[[0, 3]] == pytest.approx(np.full(2, np.sqrt(1 / 20)), rel=0.05)


def fine_share():
    """Of the variance of white noise that is left within some pixels, by noise of one."""
    white = np.random.default_rng(10).normal(size=(400, 400)).astype(np.float32)
    return float(np.var(_fine(white)))
