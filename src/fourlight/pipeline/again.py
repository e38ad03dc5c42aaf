"""What a run needs to be made again: the record of the one before, and its files as they were."""

from __future__ import annotations

from pathlib import Path

from fourlight.errors import InputError
from fourlight.pipeline.profile import profile_hash
from fourlight.provenance import Provenance, file_hash, load

__all__ = ["recorded"]


def recorded(path: Path) -> Provenance:
    """The record of an earlier run, each file checked against its hash.

    Parameters
    ----------
    path : Path
        ``provenance.json`` of the run.

    Raises
    ------
    InputError
        The record cannot be read, or a file is gone or has changed.
    """
    past = load(path)
    for file, digest in {**past.inputs, **past.others}.items():
        if not file.is_file():
            raise InputError(f"{file}: is gone since {path} was written; put it back to make the same result")
        if file_hash(file) != digest:
            raise InputError(
                f"{file}: has changed since {path} was written; the result would not be the same"
            )
    profile_hash(past.recipe, past)  # a map of defects that was not there
    return past
