"""No way to other machines, for tests of what works without one."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def no_network() -> Iterator[list[str]]:
    """Every way by which Python's sockets reach another machine, or look its name up, fails; yields what was asked."""
    asked: list[str] = []

    def refusing(name: str) -> Callable[..., None]:
        def refuse(*_: object, **__: object) -> None:
            asked.append(name)
            raise OSError(f"{name}: no network in this test")

        return refuse

    with pytest.MonkeyPatch.context() as patch:
        for name in ("connect", "connect_ex", "sendto", "sendmsg", "bind"):
            patch.setattr(socket.socket, name, refusing(name))
        for name in ("create_connection", "getaddrinfo", "gethostbyname"):
            patch.setattr(socket, name, refusing(name))
        with pytest.raises(OSError, match="no network"), socket.socket() as one:
            one.connect(("127.0.0.1", 9))
        asked.clear()
        yield asked
