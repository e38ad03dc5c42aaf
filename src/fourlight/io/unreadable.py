"""The sentence for a file of ours that cannot be read."""

from __future__ import annotations

from pathlib import Path

from fourlight.errors import InputError

__all__ = ["unreadable"]


def unreadable(path: Path, error: Exception, advice: str, otherwise: str = "it is not whole") -> InputError:
    """What is raised where a file of results cannot be read, from what went wrong and what to do.

    ``otherwise`` is said where the system has no word on it: what the file holds is not what it should.

    >>> print(unreadable(Path("OUT/a.json"), KeyError("some"), "make the run again"))
    OUT/a.json: cannot be read (it is not whole); make the run again
    """
    return InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or otherwise}); {advice}")
