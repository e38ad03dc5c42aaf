"""The layers on disk: every pixel written once, and a stopped run that goes on where it was."""

import errno
import os

import numpy as np
import pytest

from fourlight.engine import Crew, Silent
from fourlight.errors import OutputError
from fourlight.pipeline import layers
from fourlight.pipeline.layers import integrate_tiles
from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES, PlaneLayers, TileResult

SHAPE = (50, 70)


def cut(rows, columns):
    return [
        Tile(y, min(y + rows, SHAPE[0]), x, min(x + columns, SHAPE[1]))
        for y in range(0, SHAPE[0], rows)
        for x in range(0, SHAPE[1], columns)
    ]


class Work:
    """Tiles whose values say where they are and what made them; may fail at a tile."""

    def __init__(self, mark=0.0, fail=None):
        self.mark, self.fail, self.made = mark, fail, []

    def __call__(self, tile):
        if self.fail is not None and len(self.made) == self.fail:
            raise KeyboardInterrupt
        self.made.append((tile.y0, tile.x0))
        part = np.s_[tile.y0 : tile.y1, tile.x0 : tile.x1]
        size = (tile.y1 - tile.y0) * (tile.x1 - tile.x0)
        planes = {
            plane: PlaneLayers(
                {name: expected(plane, name, self.mark)[part] for name in LAYERS},
                (0.25 * (p + 1) * size, size),
            )
            for p, plane in enumerate(OUTPUT_PLANES)
        }
        return TileResult(tile, planes, REJECTED * size, USED * size, here()[part])


REJECTED, USED = np.arange(1, 5), np.arange(5, 9)
"""(4,) samples for each pixel, of mosaic planes that all differ."""


def expected(plane, layer, mark=0.0):
    """The layer, unlike any other and at no two pixels the same; float32 holds it exactly."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    which = 100_000 * OUTPUT_PLANES.index(plane) + 0.125 * LAYERS.index(layer)
    return (1000 * y + x + mark + which).astype(np.float32)


def here():
    """Rejected samples of each pixel."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return ((3 * y + 5 * x) % 17).astype(np.float32)


def run(folder, work, tiles, key="a", threads=1):
    return integrate_tiles(work, tiles, SHAPE, folder, key, Crew(threads), Silent())


def check(layers, mark=0.0):
    for p, plane in enumerate(OUTPUT_PLANES):
        for name in LAYERS:
            np.testing.assert_array_equal(
                layers.read(plane, name), expected(plane, name, mark), err_msg=f"{plane} {name}"
            )
        assert layers.noise_correlation(plane) == pytest.approx(np.sqrt(0.25 * (p + 1)))
    np.testing.assert_array_equal(layers.rejected_map(), here())
    assert layers.rejected.tolist() == (3500 * REJECTED).tolist()
    assert layers.used.tolist() == (3500 * USED).tolist()


@pytest.mark.parametrize("threads", [1, 3])
def test_all_pixels_and_counts(tmp_path, threads):
    check(run(tmp_path, Work(), cut(16, 30), threads=threads))


@pytest.mark.parametrize("stop", [0, 1, 5])
def test_a_stopped_run_makes_only_what_is_missing(tmp_path, stop):
    tiles = cut(16, 30)
    with pytest.raises(KeyboardInterrupt):
        run(tmp_path, Work(fail=stop), tiles)
    again = Work()
    check(run(tmp_path, again, tiles))
    assert len(again.made) == len(tiles) - stop
    last = Work()
    check(run(tmp_path, last, tiles))
    assert not last.made


def test_another_key_starts_anew(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        run(tmp_path, Work(fail=4), cut(16, 30))
    check(run(tmp_path, Work(mark=7), cut(16, 30), key="b"), mark=7)


def test_another_cut_into_as_many_tiles_leaves_no_gaps(tmp_path):
    """Tiles of 20 rows, then of 24: three of each, and both begin at [0, 0]."""
    with pytest.raises(KeyboardInterrupt):
        run(tmp_path, Work(fail=1), cut(20, 70))
    assert len(cut(20, 70)) == len(cut(24, 70))
    check(run(tmp_path, Work(), cut(24, 70)))


def test_a_torn_line_and_a_lost_layer(tmp_path):
    tiles = cut(16, 30)
    with pytest.raises(KeyboardInterrupt):
        run(tmp_path, Work(fail=3), tiles)
    journal = tmp_path / "tiles.jsonl"
    journal.write_text(journal.read_text()[:-25])
    again = Work()
    check(run(tmp_path, again, tiles))
    assert len(again.made) == len(tiles) - 2
    # the line after the torn one is a line of its own
    third = Work()
    check(run(tmp_path, third, tiles))
    assert not third.made
    (tmp_path / "R_value.npy").unlink()
    check(run(tmp_path, Work(), tiles))


class Full:
    """A list of tiles on a disk that is full."""

    def __init__(self, file):
        self._file = file

    def __getattr__(self, name):
        return getattr(self._file, name)

    def flush(self):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def close(self):
        self._file.close()
        self.flush()


@pytest.mark.parametrize("settle_s", [0.0, 10.0], ids=["between tiles", "at the end"])
def test_a_disk_that_is_full_when_tiles_are_noted(tmp_path, monkeypatch, settle_s):
    begin = layers._Written.__init__

    def begun(self, folder, known):
        begin(self, folder, known)
        self._journal = Full(self._journal)

    monkeypatch.setattr(layers, "SETTLE_S", settle_s)
    monkeypatch.setattr(layers._Written, "__init__", begun)
    with pytest.raises(OutputError, match=r"cannot be written .*; free some space"):
        run(tmp_path, Work(), cut(16, 30))


def test_a_layer_that_cannot_be_flushed(tmp_path, monkeypatch):
    def full(_):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(np.memmap, "flush", full)
    with pytest.raises(OutputError, match="cannot be written"):
        run(tmp_path, Work(), cut(16, 30))


def test_no_pixels_give_no_ratio(tmp_path):
    layers = run(tmp_path, Work(), [])
    assert np.isnan(layers.noise_correlation("B"))
