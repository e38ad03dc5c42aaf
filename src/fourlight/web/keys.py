"""Who may talk to the page: a link that opens one session, and the secrets of that session."""

from __future__ import annotations

import hmac
import secrets
import threading

__all__ = ["Keys"]

BYTES = 32


class Keys:
    """Secrets of one server; all are forgotten when it ends.

    Parameters
    ----------
    port : int
        Cookies belong to a host whatever the port, so that the port is in the name of ours.
    """

    def __init__(self, port: int) -> None:
        self.cookie = f"fourlight-{port}"
        self._link = secrets.token_urlsafe(BYTES)
        self._session = secrets.token_urlsafe(BYTES)
        self.writing = secrets.token_urlsafe(BYTES)
        """What the page sends with every change that it asks for."""
        self._lock = threading.Lock()
        self._unused = True

    @property
    def link(self) -> str:
        """The key of the link that opens the session; it works once."""
        return self._link

    def opened_by(self, key: str) -> str | None:
        """The value of the cookie, for the right key that was not used before."""
        with self._lock:
            if not (self._unused and _same(key, self._link)):
                return None
            self._unused = False
            return self._session

    def is_session(self, value: str) -> bool:
        """Whether a cookie is that of the session."""
        return _same(value, self._session)

    def may_write(self, value: str) -> bool:
        """Whether this is what the page sends with changes."""
        return _same(value, self.writing)


def _same(a: str, b: str) -> bool:
    return hmac.compare_digest(a.encode(), b.encode())
