"""Tiles that a screen shows: against the arrays they are made from, by astropy and scikit-image."""

import numpy as np
import pytest
from astropy.io import fits
from skimage.measure import block_reduce

from fourlight.core.companding import Companding
from fourlight.errors import InputError
from fourlight.pipeline.shown_planes import TILE_PX, ShownPlanes, Tile

SHAPE = (1100, 2100)


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    rng = np.random.default_rng(5)
    light = rng.normal(300, 4, SHAPE).astype(np.float32)
    light[500:520, 900:930] += 5e4
    light[:30] = np.nan
    path = tmp_path_factory.mktemp("shown") / "stack.fits"
    fits.HDUList(
        [fits.PrimaryHDU(), fits.ImageHDU(light, name="R"), fits.ImageHDU(light + 9, name="B")]
    ).writeto(path)
    return path, light


def decoded(shown, facts, tile):
    """Light of a tile as a viewer reckons it from the facts alone."""
    side, ny = TILE_PX << tile.level, SHAPE[0]
    rows = -(-min(side, ny - tile.row * side) // (1 << tile.level))
    codes = np.frombuffer(shown.tile(tile), "<u2").reshape(rows, -1)
    code = Companding(**facts["codes"][tile.plane])
    return code.light(codes), code


@pytest.mark.parametrize(("level", "row", "column"), [(0, 0, 0), (0, 2, 4), (1, 1, 2), (2, 0, 1), (3, 0, 0)])
def test_tiles_hold_the_light_of_their_place(stack, level, row, column):
    path, light = stack
    shown = ShownPlanes(path, ("R", "G", "B"))
    facts, factor = shown.facts(), 1 << level
    found, code = decoded(shown, facts, Tile("R", level, row, column))
    side = TILE_PX * factor
    piece = light[row * side : (row + 1) * side, column * side : (column + 1) * side]
    sums, counts = (
        block_reduce(part, factor, np.sum, cval=0)
        for part in (np.nan_to_num(piece), np.isfinite(piece).astype(float))
    )
    with np.errstate(invalid="ignore"):
        wanted = sums / counts
    np.testing.assert_array_equal(np.isnan(found), np.isnan(wanted))
    some = np.isfinite(wanted)
    steps = np.vectorize(code.step)(wanted[some])
    assert (np.abs(found - wanted)[some] <= 0.6 * steps + 1e-3).all()
    assert code.step(300.0) < 4 / 40


def test_the_last_level_is_one_tile(stack):
    shown = ShownPlanes(stack[0], ("R", "G", "B"))
    assert shown.names == ("R", "B")
    assert shown.levels == 4
    assert len(shown.tile(Tile("B", 3, 0, 0))) == 2 * -(-SHAPE[0] // 8) * -(-SHAPE[1] // 8)


@pytest.mark.parametrize(
    "tile",
    [
        Tile("R", 4, 0, 0),
        Tile("R", 0, 3, 0),
        Tile("R", 0, 0, 5),
        Tile("R", 0, -1, 0),
        Tile("X", 0, 0, 0),
        Tile("R", -1, 0, 0),
    ],
)
def test_tiles_that_do_not_exist_are_refused(stack, tile):
    with pytest.raises(InputError, match="no such tile"):
        ShownPlanes(stack[0], ("R",)).tile(tile)


def test_the_version_changes_with_the_file(stack, tmp_path):
    copy = tmp_path / "stack.fits"
    copy.write_bytes(stack[0].read_bytes())
    first = ShownPlanes(copy, ("R",)).version
    with copy.open("ab") as file:
        file.write(b" " * 2880)
    assert ShownPlanes(copy, ("R",)).version != first


def test_a_file_without_the_planes_is_refused(stack):
    with pytest.raises(InputError, match="holds none of the planes HALPHA"):
        ShownPlanes(stack[0], ("HALPHA",))
