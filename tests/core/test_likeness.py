"""One exposure known again by its noise: after whatever other software does, and never in another exposure."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.likeness import COUNT, SIDE, detail, likeness, likenesses

SHAPE = (COUNT, COUNT, SIDE, SIDE)


def exposure(seed: int, level: float = 900, fixed: float = 0.0) -> np.ndarray:
    """Photon noise on an even level, and a response of the sensor that every exposure repeats."""
    response = 1 + fixed * np.random.default_rng(99).normal(size=SHAPE)
    return np.random.default_rng(seed).poisson(level * response).astype(np.float32)


@pytest.mark.parametrize(
    ("change", "way"),
    [
        (lambda image: image + 100, ""),
        (lambda image: image / 65535, ""),
        (lambda image: np.rint(image / 8), ""),  # digits coarser than a quarter of the noise
        (lambda image: image[::-1, :, ::-1], "mirrored"),
        (lambda image: image[:, ::-1, :, ::-1], "mirrored"),
        (lambda image: image[::-1, ::-1, ::-1, ::-1], "turned"),
        (lambda image: np.where(np.arange(COUNT)[:, None, None, None] < 2, image, np.nan), ""),
    ],
)
def test_the_same_exposure_changed(change: object, way: str) -> None:
    image = exposure(1)
    value, found = likeness(detail(image), detail(change(image).astype(np.float32)))  # type: ignore[operator]
    assert value > 0.95
    assert found == way


def test_other_exposures() -> None:
    assert likeness(detail(exposure(1)), detail(exposure(2)))[0] < 0.05


def test_bright_flats_repeat_what_theory_says() -> None:
    """Shot noise 1 / sqrt(N) beside a response that scatters by s: correlation s^2 / (s^2 + 1 / N)."""
    value, _ = likeness(detail(exposure(1, 30000, 0.01)), detail(exposure(2, 30000, 0.01)))
    assert value == pytest.approx(0.01**2 / (0.01**2 + 1 / 30000), abs=0.02)


def test_stars_that_repeat_say_little() -> None:
    one, two = exposure(1), exposure(2)
    place = np.random.default_rng(5).random(SHAPE) < 0.02
    assert likeness(detail(one + 5000 * place), detail(two + 5000 * place))[0] < 0.5


def test_nothing_in_common() -> None:
    blank = np.full(SHAPE, np.nan, np.float32)
    assert likeness(detail(exposure(1)), detail(blank))[0] == 0
    assert likeness(detail(np.zeros(SHAPE, np.float32)), detail(np.zeros(SHAPE, np.float32)))[0] == 0


@pytest.mark.parametrize("lost", [False, True])
def test_many_at_once_are_as_like_as_one_by_one(lost: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Copies, mirrored ones, bright flats, and ones of which half, or all but 600 samples, or all are unknown."""
    flat = exposure(3, 30000, 0.01)
    images = [exposure(1), exposure(1)[::-1, ::-1, ::-1, ::-1], exposure(2), flat, exposure(4, 30000, 0.01)]
    if lost:
        half = np.where(np.arange(COUNT)[:, None, None, None] < 2, exposure(1), np.nan)
        few = np.full(SHAPE, np.nan)
        few[0, 0, :15] = exposure(1)[0, 0, :15]
        images += [half, half[::-1, :, ::-1], few, np.full(SHAPE, np.nan)]
    details = [detail(image.astype(np.float32)) for image in images]
    monkeypatch.setattr("fourlight.core.likeness.AT_ONCE", 2)
    found = likenesses(details[::2], details)
    known = [[likeness(one, other)[0] for other in details] for one in details[::2]]
    np.testing.assert_allclose(found, np.maximum(known, 0), atol=1e-4)
