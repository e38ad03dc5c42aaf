"""Work beside the results of a run that must not cost them: where it fails, that is told, and the run goes on."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from fourlight.engine import give_back
from fourlight.errors import CancelledError, OutputError, caused_by, reason

__all__ = ["spared"]

Result = TypeVar("Result")

LOG = logging.getLogger("fourlight")
"""Tells where an error came from; the command line shows it with --debug."""


def spared(told: list[str], what: str, work: Callable[[], Result]) -> Result | None:
    """The result of ``work``; None where it fails, with a sentence on that in ``told``.

    A stop by the user ends the run as ever, and so does a disk that takes no more: the results could not be written
    either. Memory that the work has freed goes back to the system, 50 to 150 MB that the next would do without.

    Parameters
    ----------
    told : list of str
        Gains a sentence.
    what : str
        What is made, as the subject of a sentence.
    work : callable

    Examples
    --------
    >>> told = []
    >>> spared(told, "the figures", lambda: 1 // 0), told[0][:68]
    (None, 'the figures could not be made: a fault of the program (ZeroDivisionE')
    """
    try:
        return work()
    except (OutputError, CancelledError):
        raise
    except Exception as error:
        if caused_by(error, KeyboardInterrupt, CancelledError):
            raise
        LOG.debug("%s", what, exc_info=True)
        told.append(f"{what} could not be made: {reason(error)}; stack and picture do not depend on it")
    finally:
        give_back()
    return None
