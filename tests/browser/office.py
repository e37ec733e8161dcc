"""An office for browser tests: it can be stopped, and its replies can be lost."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn

from api import create_app
from api.wire import Wire
from lightwatch.settings import Settings
from lightwatch.store import Store
from tests.small_city import small_city

POST = b"POST /api/repairs "


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


class Office:
    """The service behind a wire that the test holds.

    Parameters
    ----------
    folder
        Where its store is.
    town
        Makes the store there, and returns its address.
    """

    def __init__(self, folder: Path, town: Callable[[Path], str] = small_city) -> None:
        self.address = town(folder)
        self.port, self.inner = _free_port(), _free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.posts = 0
        self.lose = 0
        """Replies to repairs still to be lost, each after the office kept it."""
        self._server: uvicorn.Server | None = None
        self._wire: socket.socket | None = None
        self._open: set[socket.socket] = set()

    @property
    def store(self) -> Store:
        store: Store = self.app.state.present.store
        return store

    def start(self) -> None:
        self.app = create_app(Settings(database_url=self.address))
        config = uvicorn.Config(
            self.app, port=self.inner, log_level="error", ws="none", http=Wire
        )
        self._server = uvicorn.Server(config)
        self._serving = threading.Thread(target=self._server.run)
        self._serving.start()
        while not self._server.started:
            time.sleep(0.02)
        self._wire = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._answer, args=(self._wire,), daemon=True).start()

    def stop(self) -> None:
        """Stop the service and cut the wire."""
        if self._server is None or self._wire is None:
            return
        with contextlib.suppress(OSError):
            self._wire.shutdown(socket.SHUT_RDWR)
        self._wire.close()
        for one in list(self._open):
            self._cut(one)
        self._server.should_exit = True
        self._serving.join()
        self.store.engine.dispose()
        self._server = self._wire = None

    def _cut(self, *ends: socket.socket) -> None:
        for one in ends:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
            self._open.discard(one)

    def _answer(self, wire: socket.socket) -> None:
        while True:
            try:
                near, _ = wire.accept()
                far = socket.create_connection(("127.0.0.1", self.inner))
            except OSError:
                return
            self._open |= {near, far}
            lost = threading.Event()
            for pump in ((near, far, lost, self._there), (far, near, lost, self._back)):
                threading.Thread(target=self._pump, args=pump, daemon=True).start()

    def _pump(
        self,
        one: socket.socket,
        other: socket.socket,
        lost: threading.Event,
        judge: Any,
    ) -> None:
        with contextlib.suppress(OSError):
            while (data := one.recv(65536)) and judge(data, lost):
                other.sendall(data)
        self._cut(one, other)

    def _there(self, data: bytes, lost: threading.Event) -> bool:
        if POST in data:
            self.posts += 1
            if self.lose:
                self.lose -= 1
                lost.set()
        return True

    def _back(self, _: bytes, lost: threading.Event) -> bool:
        return not lost.is_set()

    def rows(self, light_id: str) -> list[dict[str, Any]]:
        """Return the repairs logged at a light by the page, oldest first."""
        rows = self.store.rows("repairs")
        return [
            row
            for row in rows
            if row["light_id"] == light_id and len(row["repair_id"]) == 32
        ]
