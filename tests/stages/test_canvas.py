"""Room for pictures in files: arrays of several canvases in one folder are their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.stages.canvas import Canvas


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
