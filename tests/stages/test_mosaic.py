"""The mosaic decision: recipe, header and pixels against each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.cfa import PATTERNS, flipped
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.io.pixels import PixelSource, open_pixels
from fourlight.io.scan import scan
from fourlight.stages.mosaic import decide

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"
LEVELS = {"R": 900.0, "G": 1200.0, "B": 1500.0}


def coloured(pattern: str, ny: int = 128, nx: int = 128) -> np.ndarray:
    """An evenly lit frame: the colours of ``LEVELS`` behind the mosaic, with noise."""
    cell = np.array([LEVELS[letter] for letter in pattern]).reshape(2, 2)
    tiled = np.tile(cell, (ny // 2 + 1, nx // 2 + 1))[:ny, :nx]
    return (tiled + np.random.default_rng(1).normal(0, 20, (ny, nx))).astype(np.float32)


def light(mosaic: str | None, ny: int = 128, nx: int = 128, name: str = "a.fits") -> RawFrame:
    source = "BAYERPAT" if mosaic else "none"
    return RawFrame(Path(name), 0, ny, nx, Role.LIGHT, "header", mosaic=mosaic, mosaic_source=source)


def held(image: np.ndarray):
    return lambda frame: HeldPixels(image)


def test_the_real_pair_is_gbrg_and_the_contradiction_is_told() -> None:
    """GBRG by the colours of 79 catalogue stars; the header says RGGB (README of the pair)."""
    found = decide(scan([REAL]).frames, lambda frame: open_pixels(frame, None), "auto")
    assert (found.pattern, found.source, found.stated) == ("GBRG", "pixels", "RGGB")
    assert found.contradiction is not None
    for words in ("FILTER says RGGB", "[0,0] and [1,1]", "GBRG is used", "is assumed"):
        assert words in found.contradiction
    assert "sigma" in found.evidence
    assert found.sigma is not None
    assert found.sigma > 5
    assert found.stated_by == "FILTER"


@pytest.mark.parametrize("pattern", PATTERNS)
def test_header_and_pixels_agree(pattern: str) -> None:
    found = decide([light(pattern)], held(coloured(pattern)), "auto")
    assert (found.pattern, found.source, found.contradiction) == (pattern, "BAYERPAT", None)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_rows_stored_bottom_up_are_mended(pattern: str) -> None:
    """Truth is numpy's own top-bottom flip of the frame that the header describes."""
    stored = np.flipud(coloured(pattern))
    found = decide([light(pattern)], held(stored), "auto")
    assert found.pattern == flipped(pattern, 128, 128, vertical=True)
    assert found.contradiction is not None
    np.testing.assert_allclose(np.median(stored[::2, ::2]), LEVELS[found.pattern[0]], atol=10)
    np.testing.assert_allclose(np.median(stored[::2, 1::2]), LEVELS[found.pattern[1]], atol=10)


def test_an_odd_number_of_rows_is_mended_by_a_shift() -> None:
    found = decide([light("RGGB", ny=129)], held(coloured("GBRG", ny=129)), "auto")
    assert found.pattern == "GBRG"
    assert found.contradiction is not None
    assert "one row later" in found.contradiction


def test_pixels_that_cannot_tell_leave_the_header() -> None:
    grey = np.random.default_rng(2).normal(1000, 30, (128, 128)).astype(np.float32)
    found = decide([light("BGGR")], held(grey), "auto")
    assert (found.pattern, found.source, found.contradiction) == ("BGGR", "BAYERPAT", None)
    assert "cannot tell" in found.evidence
    assert found.sigma is None


def test_the_recipe_wins_and_a_contradiction_is_still_told() -> None:
    found = decide([light("RGGB")], held(coloured("RGGB")), "GRBG")
    assert (found.pattern, found.source, found.stated) == ("GRBG", "recipe", "RGGB")
    assert found.contradiction is not None
    assert "the recipe says GRBG" in found.contradiction
    assert decide([light("RGGB")], held(coloured("RGGB")), "BGGR").contradiction is None


@pytest.mark.parametrize(("pattern", "assumed"), [("BGGR", "RGGB"), ("GRBG", "GBRG")])
def test_without_a_statement_the_diagonal_is_found_and_the_rest_assumed(pattern: str, assumed: str) -> None:
    found = decide([light(None)], held(coloured(pattern)), "auto")
    assert (found.pattern, found.source, found.stated) == (assumed, "assumed", None)
    assert "which of the other two is red they do not tell" in found.evidence


def test_no_statement_and_nothing_to_see() -> None:
    grey = np.random.default_rng(2).normal(1000, 30, (128, 128)).astype(np.float32)
    with pytest.raises(InputError, match=r"set read.mosaic"):
        decide([light(None)], held(grey), "auto")
    with pytest.raises(InputError, match="no light frames"):
        decide([], held(grey), "auto")


def test_a_monochrome_camera_is_named() -> None:
    rng = np.random.default_rng(6)
    image = rng.normal(600, 10, (300, 300))
    y, x = np.mgrid[0:300, 0:300]
    for _ in range(60):
        cy, cx = rng.uniform(10, 290, 2)
        image += rng.uniform(300, 3000) * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 4.0)
    with pytest.raises(InputError, match="monochrome or binned"):
        decide([light("RGGB")], held(image.astype(np.float32)), "auto")
    assert decide([light(None)], held(image.astype(np.float32)), "RGGB").pattern == "RGGB"


def test_a_frame_that_cannot_be_read_is_passed_over() -> None:
    lights = [light("RGGB", name=f"{n}.fits") for n in range(5)]

    def sources(frame: RawFrame) -> PixelSource:
        if frame.path.name in ("0.fits", "2.fits"):
            raise FrameError(str(frame.path), "damaged")
        return HeldPixels(coloured("GBRG"))

    assert decide(lights, sources, "auto").pattern == "GBRG"

    def broken(frame: RawFrame) -> PixelSource:
        raise FrameError(str(frame.path), "damaged")

    with pytest.raises(FrameError, match="damaged"):
        decide(lights, broken, "auto")


@pytest.mark.parametrize("clear", ["RGGB", "GBRG"])
def test_of_two_lights_that_disagree_the_clearer_one_counts(clear: str) -> None:
    """One in full light and one in a tenth of it, whose greens lie the other way; either order, and one damaged."""
    other = {"RGGB": "GBRG", "GBRG": "RGGB"}[clear]
    noise = np.random.default_rng(2).normal(0, 40, (128, 128))
    faint = (1080 + 0.1 * coloured(other) + noise).astype(np.float32)
    for order in ("cfd", "fcd", "cdf", "fdc"):
        lights = [light(None, name=f"{name}.fits") for name in order]

        def sources(frame: RawFrame) -> PixelSource:
            if frame.path.name == "d.fits":
                raise FrameError(str(frame.path), "damaged")
            return HeldPixels(coloured(clear) if frame.path.name == "c.fits" else faint)

        assert decide(lights, sources, "auto").pattern == clear


def test_a_light_that_is_damaged_counts_no_other_twice() -> None:
    """Of four lights, one damaged, two show one thing and one, the first, the other."""
    lights = [light(None, name=f"{n}.fits") for n in range(4)]
    asked: list[str] = []

    def sources(frame: RawFrame) -> PixelSource:
        asked.append(frame.path.name)
        if frame.path.name == "3.fits":
            raise FrameError(str(frame.path), "damaged")
        return HeldPixels(coloured("RGGB" if frame.path.name == "0.fits" else "GBRG"))

    assert decide(lights, sources, "auto").pattern == "GBRG"
    assert sorted(asked) == ["0.fits", "1.fits", "2.fits", "3.fits"]


def test_the_statement_of_most_frames_counts() -> None:
    lights = [light("RGGB"), light("RGGB"), replace(light("BGGR"), mosaic_source="FILTER"), light(None)]
    found = decide(lights, held(coloured("RGGB")), "auto")
    assert (found.pattern, found.source, found.stated) == ("RGGB", "BAYERPAT", "RGGB")


def test_a_large_frame_is_judged_by_its_middle_in_phase() -> None:
    """The part that is read starts on an even row and column, so the phase is that of the frame."""
    image = coloured("GRBG", 2054, 2060)
    found = decide([light(None, 2054, 2060)], held(image), "auto")
    assert found.pattern == "GBRG"
