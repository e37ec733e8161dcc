"""The wire under the service: a request that never comes whole holds no place."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from lightwatch.limits import CONNECTIONS, HEAD_S

_TEMPLATE = (
    "HTTP/1.1 {status}\r\nContent-Type: application/problem+json\r\n{further}"
    "Connection: close\r\nContent-Length: {length}\r\n\r\n{body}"
)


def _answer(status: str, detail: str, further: str = "") -> bytes:
    code, _, title = status.partition(" ")
    body = (
        f'{{"type": "about:blank", "title": "{title}", "status": {code}, '
        f'"detail": "{detail}"}}'
    )
    return _TEMPLATE.format(
        status=status, further=further, length=len(body), body=body
    ).encode("ascii")


SLOW = _answer("408 Request Timeout", f"no whole request came in {HEAD_S:g} s")
CROWDED = _answer(
    "503 Service Unavailable",
    f"more than {CONNECTIONS} connections are open; try again",
    "Retry-After: 5\r\n",
)


class Wire(H11Protocol):
    """One connection, with a limit of time for the head of each request."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take a connection, or say that there are too many."""
        super().connection_made(transport)
        if len(self.connections) > CONNECTIONS:
            self._end(CROWDED)
        else:
            self._wait()

    def data_received(self, data: bytes) -> None:
        """Take a part of a request; its head must be whole in time."""
        if self.transport.is_closing():
            return
        super().data_received(data)
        if self.conn.their_state is h11.IDLE and not self.transport.is_closing():
            self._wait()
        else:
            self._stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._waiting is None:
            self._waiting = self.loop.call_later(HEAD_S, self._end, SLOW)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _end(self, answer: bytes) -> None:
        if not self.transport.is_closing():
            self.transport.write(answer)
            self.transport.close()
