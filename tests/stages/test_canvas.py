"""Room for pictures: arrays of several canvases in one folder are their own, and parts are no larger than reckoned."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.stages import canvas
from fourlight.stages.canvas import LEAST_SIDE, Canvas, Window


def test_two_canvases_in_a_folder_share_nothing_where_mapped_files_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On Windows the file of an array that is mapped cannot be taken away (error 5), nor opened anew for writing."""

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Access is denied")

    monkeypatch.setattr(Path, "unlink", refused)
    arrays = [Canvas(tmp_path).new((3, 4)) for _ in range(2)]
    for value, array in enumerate(arrays):
        array[:] = value + 1
    assert [np.unique(array).tolist() for array in arrays] == [[1.0], [2.0]]
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("shape", [(1500, 2000), (1505, 1999), (700, 903)])
@pytest.mark.parametrize("room", [8e6, 21e6, 47e6])
def test_parts_and_what_is_around_them_fit_the_room_that_was_left(
    monkeypatch: pytest.MonkeyPatch, shape: tuple[int, int], room: float
) -> None:
    reach, pixel_bytes = 32, 200.0
    windows: list[Window] = []
    monkeypatch.setattr(canvas, "room_bytes", lambda _: room)
    Canvas().each(shape, windows.append, reach=reach, pixel_bytes=pixel_bytes)
    seen = np.zeros(shape, dtype=int)
    for window in windows:
        seen[window.inner] += 1
        largest = max((part.stop - part.start) for part in window.inner) + 2 * reach
        assert largest**2 * pixel_bytes <= room * 1.001 or largest <= LEAST_SIDE + 2 * reach
    assert (seen == 1).all()
