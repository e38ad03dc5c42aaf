"""What tests of several parts of a run share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    """Two workers in processes of their own; a worker that ends is started again."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as found:
        yield found
