"""Arrays in files, opened by many threads at once."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from fourlight.io import arrays


def test_threads_open_arrays_one_at_a_time(tmp_path, monkeypatch):
    """Python 3.11 fails by chance where threads parse headers at once: no two do."""
    path = tmp_path / "a.npy"
    np.save(path, np.arange(12.0))
    inside, most, load = [], [], np.load

    def watched(*given, **named):
        inside.append(1)
        most.append(len(inside))
        found = load(*given, **named)
        inside.pop()
        return found

    monkeypatch.setattr(arrays.np, "load", watched)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda _: arrays.mapped_array(path, "r").sum(), range(200)))
    assert found == [66.0] * 200
    assert max(most) == 1
