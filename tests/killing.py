"""Killing the writer at random points: what was acknowledged must be there, once.

A round starts a writer, lets it work, and kills it with SIGKILL after a random time.
What it had not acknowledged is then sent again under the same keys, as a device would.
"""

from __future__ import annotations

import http.client
import json
import random
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field

from lightwatch.store import open_store

CLIENTS = 4
TRIES = 3


@dataclass
class Tally:
    """What was sent, what was acknowledged, in how many rounds."""

    sent: list[str] = field(default_factory=list)
    acknowledged: set[str] = field(default_factory=set)
    rounds: int = 0

    def judge(self, address: str) -> tuple[int, int]:
        """Return how many acknowledged records are lost, and how many doubled."""
        store = open_store(address)
        notes = Counter(row["notes"] for row in store.rows("repairs"))
        store.engine.dispose()
        lost = sum(notes[f"note {key}"] == 0 for key in self.acknowledged)
        doubled = sum(notes[f"note {key}"] > 1 for key in self.sent)
        return lost, doubled


def _command(address: str, light: str, key: str) -> subprocess.Popen[str]:
    words = ["repair", light, "photocontrol", "--key", key, "--notes", f"note {key}"]
    return subprocess.Popen(
        [sys.executable, "-m", "lightwatch.cli", *words, "--db", address, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def by_command(address: str, light: str, rounds: int, seed: int) -> Tally:
    """Log a record a round by the command line, killed at a random point."""
    rng, tally = random.Random(seed), Tally()
    begun = time.perf_counter()
    whole = _command(address, light, f"whole-{seed}")
    assert f"whole-{seed}" in whole.communicate()[0]
    usual_s = time.perf_counter() - begun
    for i in range(rounds):
        key = f"cli-{seed}-{i}"
        tally.sent.append(key)
        process = _command(address, light, key)
        time.sleep(rng.uniform(0.3, 1.1) * usual_s)
        process.kill()
        said, _ = process.communicate()
        if key in said:
            tally.acknowledged.add(key)
        else:
            retried = _command(address, light, key)
            said, _ = retried.communicate()
            assert retried.returncode == 0
            assert key in said
            tally.acknowledged.add(key)
        tally.rounds += 1
    return tally


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def served(address: str) -> tuple[subprocess.Popen[bytes], int]:
    """Start the service on a port that is free, and still is when it takes it."""
    for _ in range(TRIES):
        port = _free_port()
        process, complaint = _started(address, port)
        if not complaint:
            return process, port
        assert "Address already in use" in complaint, complaint
    raise AssertionError("no port stays free")


def _started(address: str, port: int) -> tuple[subprocess.Popen[bytes], str]:
    words = ["serve", "--port", str(port), "--db", address]
    with tempfile.TemporaryFile() as complaints:
        process = subprocess.Popen(
            [sys.executable, "-m", "lightwatch.cli", *words],
            stdout=subprocess.DEVNULL,
            stderr=complaints,
        )
        for _ in range(600):
            if process.poll() is not None:
                complaints.seek(0)
                return process, complaints.read().decode() or "it ended, without a word"
            try:
                socket.create_connection(("127.0.0.1", port), 0.2).close()
            except OSError:
                time.sleep(0.05)
            else:
                return process, ""
    return process, "it did not answer"


def post(port: int, light: str, key: str) -> bool:
    record = {
        "repair_id": key,
        "light_id": light,
        "cause": "photocontrol",
        "action": "replaced",
        "component": "photocontrol",
        "notes": f"note {key}",
    }
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        headers = {"Content-Type": "application/json"}
        connection.request("POST", "/api/repairs", json.dumps(record), headers)
        return connection.getresponse().status in (200, 201)
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _clients(port: int, light: str, names: list[list[str]], tally: Tally) -> None:
    def work(keys: list[str]) -> None:
        for key in keys:
            if not post(port, light, key):
                return
            tally.acknowledged.add(key)

    threads = [threading.Thread(target=work, args=(keys,)) for keys in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def by_service(address: str, light: str, rounds: int, seed: int) -> Tally:
    """Post from several clients to the service, killed at a random point.

    The service that takes what was not acknowledged is the next to be killed.
    """
    rng, tally = random.Random(seed), Tally()
    process, port = served(address)
    for i in range(rounds):
        names = [
            [f"api-{seed}-{i}-{client}-{n}" for n in range(200)]
            for client in range(CLIENTS)
        ]
        killer = threading.Timer(rng.uniform(0.02, 0.8), process.kill)
        killer.start()
        _clients(port, light, names, tally)
        process.wait()
        begun = [key for keys in names for key in keys[: _reached(keys, tally) + 1]]
        tally.sent += begun
        process, port = served(address)
        for key in begun:
            assert post(port, light, key)
            tally.acknowledged.add(key)
        tally.rounds += 1
    process.kill()
    process.wait()
    return tally


def _reached(keys: list[str], tally: Tally) -> int:
    return sum(key in tally.acknowledged for key in keys)
