"""The service: one store, its JSON answers and the first page."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api import answers, pages, repairs
from api.errors import AGAIN, NotFromHere, headers_of, problem, status_of
from api.extract import extract
from api.limited import Limited
from api.present import Present
from lightwatch.errors import LightwatchError
from lightwatch.settings import Settings
from lightwatch.store import open_store

_log = logging.getLogger("lightwatch.service")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; manifest-src 'self'; worker-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
"""What a page may load: its own files, and nothing from any other host."""

_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(self), camera=(), microphone=()",
}

WARMING_S = 30.0
"""How long a service that is told to stop waits for its first picture [s]."""


class _Guarded:
    """Refuse other sites' forms; say what a page may load.

    It wraps what is sent and holds no response: where a phone lost its signal there is
    none, and that is no error.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _headers_of(request.url.path).items():
                    headers.setdefault(name, value)
            await send(message)

        then = self.app
        if request.method != "GET" and _is_foreign(request):
            origin = request.headers.get("origin")
            error = NotFromHere(f"sent from {origin} (expected this site's own pages)")
            then = answer(request, error)
        await then(scope, receive, guarded)


def _is_foreign(request: Request) -> bool:
    """Tell whether another site sent it.

    A browser says so itself, whatever name a proxy gives the service (W3C Fetch
    Metadata); one that does not names where the page is from.
    """
    site, origin = (request.headers.get(n) for n in ("sec-fetch-site", "origin"))
    if site is not None:
        return site not in ("same-origin", "none")
    if origin is None:
        return False
    try:
        return urlsplit(origin).netloc != request.url.netloc
    except ValueError:
        return True


def _headers_of(path: str) -> dict[str, str]:
    whole = path == "/map"
    policy = "frame-ancestors 'none'" if whole else POLICY
    kept = {} if path.startswith("/static/") else {"Cache-Control": "no-cache"}
    return {**_HEADERS, "Content-Security-Policy": policy, **kept}


def answer(request: Request, error: Exception) -> Response:
    """Tell a person's mistake: as a page to people, as problem details to programs."""
    programs = request.url.path.startswith("/api/")
    if not programs and "text/html" in request.headers.get("accept", ""):
        return pages.problem_page(request, error)
    return Told(problem(error), status_of(error), headers_of(error))


class Told(JSONResponse):
    """A problem document; signs that are no text are written out."""

    media_type = "application/problem+json"

    def render(self, content: Any) -> bytes:
        """Return the document as UTF-8."""
        text = json.dumps(content, ensure_ascii=False, allow_nan=False)
        return text.encode("utf-8", "backslashreplace")


def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, LightwatchError)
    if error.driver:
        asked = f"{request.method} {request.url.path}"
        _log.error("%s: %s (the database said: %s)", asked, error, error.driver)
    return answer(request, error)


def _unreadable(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    told = [
        {
            "where": ".".join(str(part) for part in one["loc"]),
            "what": str(one["msg"]),
            "expected": "what /openapi.json says",
        }
        for one in error.errors()
    ]
    detail = "; ".join(f"{one['where']}: {one['what']}" for one in told)
    document = {
        "type": "about:blank",
        "title": "The request cannot be read",
        "status": 422,
        "detail": detail,
        "errors": told,
    }
    return Told(document, 422)


def _plain(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    document = {
        "type": "about:blank",
        "title": error.detail,
        "status": error.status_code,
        "detail": error.detail,
    }
    return Told(document, error.status_code, error.headers)


def _broken(_: Request, __: Exception) -> Response:
    """Tell that the service itself is at fault; how is in its log only."""
    document = {
        "type": "about:blank",
        "title": "The service failed",
        "status": 500,
        "detail": f"the office can see why in its log; {AGAIN}",
    }
    return Told(document, 500)


@asynccontextmanager
async def _warmed(app: FastAPI) -> AsyncIterator[None]:
    """Work out the first picture before the first caller has to wait for it."""
    present: Present = app.state.present

    def warm() -> None:
        try:
            picture = present.whole()
            extract(picture)
            picture.keep()
        except LightwatchError as error:  # told to whoever asks
            _log.error("the first picture: %s (%s)", error, error.driver)

    first = threading.Thread(target=warm, daemon=True)
    first.start()
    yield
    first.join(WARMING_S)
    present.store.close()


def create_app(settings: Settings | None = None) -> FastAPI:
    """Return the service over the store that the settings name.

    Raises
    ------
    UnknownAsset
        There is no store there, or nothing in it.
    """
    settings = settings or Settings()
    store = open_store(settings.database_url)
    name = str(store.place().place["name"])
    app = FastAPI(title="Lightwatch", docs_url=None, redoc_url=None, lifespan=_warmed)
    app.state.present = Present(store, name, settings.near_m)
    app.add_middleware(GZipMiddleware, minimum_size=1024, compresslevel=6)
    app.add_middleware(Limited, answer=answer)
    app.add_middleware(_Guarded)
    app.add_exception_handler(LightwatchError, _told)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _broken)
    for room in (repairs, answers, pages):
        app.include_router(room.router)
    app.mount("/static", pages.static_files(), name="static")
    return app
