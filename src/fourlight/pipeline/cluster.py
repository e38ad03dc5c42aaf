"""Workers of a Dask cluster: found by the address of its scheduler, counted, and missed when they are gone."""

from __future__ import annotations

import logging
import pkgutil
import re
import time
from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from fourlight.engine import PROGRAM_BYTES, Crew
from fourlight.errors import InputError, StageError

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["Cluster", "connected"]

ANSWER_S = 10.0
"""Seconds in which a scheduler must answer."""

GONE_S = 60.0
"""Seconds that a run waits for workers where there is none."""

USED = 0.7
"""Share of the memory of a worker beyond which Dask moves results to its disk (its manual, "Worker Memory
Management")."""

LOADED = "fourlight:__version__"
"""What scheduler and workers are asked to load; a name in words of the standard library, which all of them know."""

WANTED = "distributed>=2025.4"
"""As in the extra ``cluster``."""


@dataclass(slots=True)
class Cluster:
    """Workers that a scheduler knows."""

    address: str
    client: Client
    _left: float | None = field(default=None)
    """Since when there is no worker."""

    def crew(self, each_bytes: float) -> Crew:
        """All workers there are now, for pieces of work that take so much memory.

        Raises
        ------
        StageError
            There is no worker, or one has too little memory, or the program is missing somewhere.
        """
        while not (workers := self._workers()):
            self.watch()
            time.sleep(0.2)
        self._see_program()
        for name, worker in workers.items():
            threads, memory = int(worker["nthreads"]), float(worker["memory_limit"] or 0)
            needed = PROGRAM_BYTES + threads * each_bytes
            if 0 < USED * memory < needed:
                raise StageError(
                    "cluster", None, f"worker {name} has {memory / 1e9:.1f} GB for {threads} threads",
                    f"{needed / USED / 1e9:.1f} GB are needed; start it with fewer threads or with more memory",
                )  # fmt: skip
        count = sum(int(worker["nthreads"]) for worker in workers.values())
        return Crew(count, self.client.get_executor(pure=False), self.watch)

    def watch(self) -> None:
        """Wait for a while where no worker is left.

        Raises
        ------
        StageError
            None has come back.
        """
        if self._workers():
            return
        now = time.monotonic()
        if self._left is None:
            self._left = now
        if now - self._left >= GONE_S:
            raise StageError(
                "cluster", None, f"the scheduler at {self.address} has no worker",
                f"start some with 'dask worker {self.address}' and run again: what is done is kept",
            )  # fmt: skip

    def _see_program(self) -> None:
        """Have scheduler and workers load the program: without it they fall silent at the first piece of work."""
        try:
            self.client.run_on_scheduler(pkgutil.resolve_name, LOADED)
            said = self.client.run(pkgutil.resolve_name, LOADED, on_error="return")
        except ImportError as error:
            said = {"": error}
        for worker, answer in said.items():
            if isinstance(answer, ImportError):
                who = f"worker {worker}" if worker else f"the scheduler at {self.address}"
                raise StageError(
                    "cluster", None, f"{who} cannot load Fourlight ({answer})",
                    "start it in an environment where the same version is installed as here",
                ) from answer  # fmt: skip

    def _workers(self) -> dict[str, Any]:
        known = self.client.scheduler_info(n_workers=-1).get("workers", {})
        if self.client.status != "running":  # what is known is what was known before the connection broke
            raise _lost(self.address)
        if known:
            self._left = None
        return dict(known)


def _lost(address: str) -> StageError:
    return StageError(
        "cluster", None, f"the scheduler at {address} does not answer any more",
        "start it and run again: what is done is kept",
    )  # fmt: skip


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """The cluster with a scheduler at ``address``; this process opens no port of its own.

    Raises
    ------
    InputError
        Dask is not installed, or no scheduler answers.
    StageError
        What Dask says when workers or the scheduler are lost, in one line.
    """
    try:
        from distributed import Client
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise InputError(
            "a cluster needs the library Dask distributed, which is not installed; install it with "
            f"python -m pip install '{WANTED}'"
        ) from None
    if not re.fullmatch(r"(tcp|tls)://[^/\s]+:\d+", address):
        raise InputError(
            f"run.cluster = {address!r}: must be the address of a Dask scheduler, such as tcp://host:8786"
        )
    with _quiet(), _client(Client, address) as client:
        try:
            yield Cluster(address, client)
        except KilledWorker as error:
            raise StageError(
                "cluster", None, f"{error.allowed_failures + 1} workers ended at the same piece of work",
                "give them more memory or fewer threads and run again: what is done is kept",
            ) from error  # fmt: skip
        except CancelledError as error:
            raise _lost(address) from error


@contextmanager
def _client(make: type[Client], address: str) -> Iterator[Client]:
    try:
        client = make(address, timeout=ANSWER_S, set_as_default=False)
    except OSError as error:
        raise InputError(
            f"{address}: no Dask scheduler answers ({' '.join(str(error).split()) or type(error).__name__}); "
            "start one with 'dask scheduler', or leave --cluster out"
        ) from None
    except TypeError:  # Dask hands an empty context to its transport
        if not address.startswith("tls:"):
            raise
        raise InputError(
            f"{address}: encryption needs certificates, and none are set; set them for Dask (its manual, "
            '"TLS/SSL"), or use tcp:// in a network that you trust'
        ) from None
    try:
        yield client
    finally:
        client.close(timeout=ANSWER_S)


@contextmanager
def _quiet() -> Iterator[None]:
    """Dask says nothing by itself: what matters of it ends the run, in one line."""
    levels = {
        name: logging.getLogger(name).level for name in logging.root.manager.loggerDict
        if name.split(".")[0] in ("distributed", "tornado", "asyncio")
    }  # fmt: skip
    for name in levels:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)
