"""Bodies of requests: at most so long, and in time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lightwatch.errors import LightwatchError
from lightwatch.limits import BODY_BYTES, BODY_S

Answer = Callable[[Request, Exception], ASGIApp]
"""How a mistake is told."""


class TooLong(LightwatchError):
    """A body longer than any record is (413)."""


class TooSlow(LightwatchError):
    """A body that did not come in time (408)."""


class _Gone(Exception):
    """The caller went away before the body was whole."""


class Limited:
    """Read a body before anybody works on it; refuse one that is too long or slow."""

    def __init__(self, app: ASGIApp, answer: Answer) -> None:
        self.app, self.answer = app, answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, with its body read."""
        if scope["type"] != "http" or scope["method"] in ("GET", "HEAD"):
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        try:
            async with asyncio.timeout(BODY_S):
                body = await _body(request, receive)
        except (TooLong, TimeoutError) as error:
            told = error if isinstance(error, TooLong) else _slow()
            await self.answer(request, told)(scope, receive, send)
        except _Gone:
            return
        else:
            await self.app(scope, _again(body, receive), send)


async def _body(request: Request, receive: Receive) -> bytes:
    said = request.headers.get("content-length", "")
    if said.isdigit() and (len(said) > 12 or int(said) > BODY_BYTES):
        raise _long()
    body = bytearray()
    more = True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _Gone
        body += message.get("body", b"")
        more = message.get("more_body", False)
        if len(body) > BODY_BYTES:
            raise _long()
    return bytes(body)


def _long() -> TooLong:
    return TooLong(f"the request is too long (expected at most {BODY_BYTES:,} bytes)")


def _slow() -> TooSlow:
    return TooSlow(f"the request did not come whole in {BODY_S:g} s; send it again")


def _again(body: bytes, receive: Receive) -> Receive:
    """Give the body that was read, then what comes after it."""
    given = False

    async def receive_again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive_again
