"""The verb that serves pages to the truck and the desk."""

from __future__ import annotations

import socket
import ssl
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightwatch.cli.asking import (
    Db,
    address,
    app,
)
from lightwatch.errors import LightwatchError

if TYPE_CHECKING:
    import uvicorn


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="address to listen on")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="certificate, PEM", exists=True)
    ] = None,
    tls_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="its key, PEM", exists=True)
    ] = None,
    db: Db = None,
) -> None:
    """Serve the first page and the JSON answers.

    A phone opens the page with the network gone only if it came by HTTPS (or from
    the phone's own localhost): give --tls-cert and --tls-key, or put a proxy that
    speaks HTTPS in front. By plain HTTP the page works with a signal only.
    """
    import uvicorn

    from api import create_app
    from api.wire import Wire
    from lightwatch.limits import GRACE_S
    from lightwatch.settings import Settings

    if (tls_cert is None) != (tls_key is None):
        raise typer.BadParameter("--tls-cert and --tls-key go together")
    service = create_app(Settings(database_url=address(db)))
    if tls_cert is None and host not in ("127.0.0.1", "localhost", "::1"):
        print(
            "warning: plain HTTP; phones need HTTPS for the page to work without a "
            "signal (--tls-cert, --tls-key)",
            file=sys.stderr,
        )
    config = uvicorn.Config(
        service,
        http=Wire,
        ws="none",
        ssl_certfile=tls_cert,
        ssl_keyfile=tls_key,
        log_level="warning",
        timeout_graceful_shutdown=GRACE_S,
    )
    _check_certificate(config)
    uvicorn.Server(config).run(sockets=[_listening(host, port)])


def _check_certificate(config: uvicorn.Config) -> None:
    try:
        config.load()
    except (ssl.SSLError, OSError, ValueError) as error:
        raise LightwatchError(
            f"{config.ssl_certfile} and {config.ssl_keyfile} cannot be used "
            f"({error}); expected a certificate and its key, PEM, with no password"
        ) from None


def _listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except (OSError, UnicodeError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise LightwatchError(
            f"cannot listen on {host}, port {port} ({why}); expected an address of "
            "this machine and a free port"
        ) from None
