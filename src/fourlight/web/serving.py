"""The server: on this machine only, with an end to those who keep it waiting."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from fourlight.errors import InputError
from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.guard import OPENING
from fourlight.web.keys import Keys

__all__ = ["HOST", "serve"]

HOST = "127.0.0.1"
BACKLOG = 128
"""Connections that may wait to be taken."""
SLOW_S = 10.0
"""Seconds in which a request must have come whole."""


class _Patient(H11Protocol):
    """Closes connections whose request does not come: a slow client holds no place for ever."""

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._late: asyncio.TimerHandle | None = None
        self._expect()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is not None and not self.cycle.more_body:
            self._cancel()
        elif self._late is None:
            self._expect()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._expect()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel()
        super().connection_lost(exc)

    def _expect(self) -> None:
        self._cancel()
        self._late = self.loop.call_later(SLOW_S, self._give_up)

    def _cancel(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _give_up(self) -> None:
        if not self.transport.is_closing():
            self.transport.close()


class _Server(uvicorn.Server):
    """Tells the application that it ends: streams would go on for ever."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.config.app.state.ending.set()  # type: ignore[union-attr]
        await super().shutdown(sockets)


def serve(project: Project, port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serve the page until it is stopped (Ctrl-C).

    Parameters
    ----------
    project : Project
    port : int
        0: any that is free.
    ready : callable, optional
        Told the link that opens the page, once it can be opened.

    Raises
    ------
    InputError
        The port is taken.
    """
    # named as TCP, for asyncio sends answers at once on such sockets alone: others wait 40 ms for the browser each time
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listening:
        try:
            listening.bind((HOST, port))
            listening.listen(BACKLOG)  # before the link is told: a browser may be quicker than the server
        except OSError as error:
            raise InputError(
                f"port {port} cannot be used ({error.strerror}); leave --port away to take a free one"
            ) from None
        number = listening.getsockname()[1]
        keys = Keys(number)
        config = uvicorn.Config(
            application(project, keys, number),
            http=_Patient,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
        if ready is not None:
            ready(f"http://{HOST}:{number}{OPENING}?key={keys.link}")
        # the server raises the request to end again when it has ended
        with suppress(KeyboardInterrupt):
            asyncio.run(_Server(config).serve([listening]))
