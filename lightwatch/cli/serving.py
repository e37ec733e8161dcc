"""The verb that serves pages to the truck and the desk."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from lightwatch.cli.asking import (
    Db,
    address,
    app,
)


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
    uvicorn.run(
        service,
        host=host,
        port=port,
        ssl_certfile=tls_cert,
        ssl_keyfile=tls_key,
        log_level="warning",
    )
