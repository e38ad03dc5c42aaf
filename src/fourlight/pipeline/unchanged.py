"""Raw files that change, or go, while a run is at work on them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fourlight.errors import FrameError, InputError
from fourlight.pipeline.job import Job

__all__ = ["unchanged"]


@contextmanager
def unchanged(job: Job) -> Iterator[None]:
    """Refuse what is made inside of it from files that are no longer what the run found when it checked them.

    What was kept for later runs is removed then, for nobody knows which bytes it was made of.

    Raises
    ------
    InputError
        A file has changed, or is gone.
    """
    try:
        yield
    except (FrameError, FileNotFoundError) as error:
        _check(job, error)
        raise
    _check(job)


def _check(job: Job, cause: Exception | None = None) -> None:
    other = [path for path in job.states if not job.is_still(path)]
    if not other:
        return
    folder = job.folder
    for made in (folder.masters, folder.measured, folder.layers, folder.decoded, folder.new_sums):
        shutil.rmtree(made, ignore_errors=True)
    raise InputError(_words(other)) from cause


def _words(other: list[Path]) -> str:
    first = sorted(other)[0]
    more = f" and {len(other) - 1} more" if len(other) > 1 else ""
    what = "changed" if first.exists() else "was removed"
    return (
        f"{first}{more}: {what} while the run was at work, which made nothing of it; put it back as it was, or leave "
        "it out, and run again"
    )
