"""`lightwatch repair` and `lightwatch serve` as a person runs them."""

from __future__ import annotations

import json
import re
import shutil
import socket
import sqlite3
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from api.service import WARMING_S
from lightwatch.cli import main
from lightwatch.limits import GRACE_S
from lightwatch.store import open_store
from tests import killing
from tests.small_city import DARK, small_city


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    return small_city(tmp_path_factory.mktemp("village"))


@dataclass(frozen=True)
class Done:
    """What a command printed, and how it ended."""

    stdout: str
    stderr: str
    returncode: int


def run(*words: str) -> Done:
    out, told, status = StringIO(), StringIO(), 0
    with (
        patch.object(sys, "argv", ["lightwatch", *words]),
        redirect_stdout(out),
        redirect_stderr(told),
    ):
        try:
            main()
        except SystemExit as ended:
            status = int(ended.code or 0)
    return Done(out.getvalue(), told.getvalue(), status)


def kept(address: str, key: str) -> dict[str, Any]:
    store = open_store(address)
    row = store.find("repairs", [key])[key]
    store.engine.dispose()
    return row


def test_the_usual_job_needs_a_tag_a_part_a_model_and_a_proof(address: str) -> None:
    words = ("P20099", "photocontrol", "--fitted", "ORV-E", "--proven", "cover_test")
    done = run("repair", *words, "--db", address)
    assert done.returncode == 0, done.stderr
    key = done.stdout.split()[0]
    assert re.fullmatch("[0-9a-f]{32}", key)
    row = kept(address, key)
    assert row["light_id"] == DARK[0]
    assert row["component"] == row["cause"] == "photocontrol"
    assert (row["action"], row["fitted_model"]) == ("replaced", "ORV-E")
    assert "live until tested" in done.stderr
    assert "local codes" in done.stderr


def test_a_retry_under_the_same_key_changes_nothing(address: str) -> None:
    words = ("repair", DARK[1], "lamp", "--key", "retry-1", "--db", address, "--json")
    first, again = (json.loads(run(*words).stdout) for _ in range(2))
    assert (first["already"], again["already"]) == (False, True)
    assert first["record"] == again["record"]
    other = run(*words, "--proven", "seen_lit")
    assert other.returncode == 1
    assert other.stdout == ""
    assert "supersedes" in other.stderr
    assert "Traceback" not in other.stderr


def test_a_section_is_repaired_with_no_light_named(address: str) -> None:
    words = ("cable", "--section", "S000002", "--key", "section-1")
    assert run("repair", *words, "--db", address).returncode == 0
    row = kept(address, "section-1")
    assert (row["light_id"] or "", row["section_id"]) == ("", "S000002")
    assert (row["cause"], row["action"]) == ("cable_fault", "repaired")


def test_a_correction_is_a_new_record_and_only_one_may_take_the_place(
    address: str,
) -> None:
    where = ("--db", address)
    run("repair", DARK[1], "fuse", "--key", "wrong-1", *where)
    right = ("repair", DARK[1], "lamp", "--supersedes", "wrong-1")
    assert run(*right, "--key", "right-1", *where).returncode == 0
    late = run(*right, "--key", "right-2", *where)
    assert late.returncode == 1
    assert "right-1" in late.stderr


def test_made_safe_leaves_the_trouble_open(address: str) -> None:
    def dark() -> set[str]:
        told = json.loads(run("outages", "--json", "--db", address).stdout)
        return {light for one in told["outages"] for light in one["reported"]}

    assert DARK[2] in dark()
    done = run("repair", DARK[2], "made_safe", "--db", address)
    assert done.returncode == 0
    assert "not ours" in done.stderr
    assert DARK[2] in dark()
    run("repair", DARK[2], "photocontrol", "--db", address)
    assert DARK[2] not in dark()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("L000005", "gizmo"), "no component"),
        (("NOPE", "lamp"), "no light or pole"),
        (("L000005", "lamp", "--fitted", "NOPE"), "not in models"),
        (("L000005", "lamp", "--at", "2099-01-01"), "later than now"),
        (("lamp",), "nothing says where"),
    ],
)
def test_a_mistake_is_one_line_and_status_1(
    address: str, words: tuple[str, ...], said: str
) -> None:
    done = run("repair", *words, "--db", address)
    assert done.returncode == 1
    (line,) = [one for one in done.stderr.splitlines() if "lightwatch:" in one]
    assert said in line
    assert "Traceback" not in done.stderr


def test_wrong_usage_is_status_2(address: str, tmp_path: Path) -> None:
    assert run("repair").returncode == 2
    certificate = tmp_path / "some.pem"
    certificate.write_text("", "utf-8")
    alone = run("serve", "--tls-cert", str(certificate), "--db", address)
    assert alone.returncode == 2
    assert "go together" in alone.stderr


def test_serve_says_that_phones_need_https_and_refuses_an_absent_store(
    tmp_path: Path,
) -> None:
    assert "HTTPS" in run("serve", "--help").stdout
    done = run("serve", "--db", f"sqlite:///{tmp_path / 'none.db'}")
    assert done.returncode == 1
    assert "no store" in done.stderr


def test_what_a_command_wrote_is_in_the_stores_one_file(tmp_path: Path) -> None:
    address = small_city(tmp_path)
    other = sqlite3.connect(tmp_path / "city.db")  # as a service would
    other.execute("SELECT count(*) FROM repairs").fetchone()
    done = run("repair", "P20099", "fuse", "--key", "k1", "--db", address)
    assert done.returncode == 0, done.stderr
    shutil.copy(tmp_path / "city.db", tmp_path / "copy.db")
    assert kept(f"sqlite:///{tmp_path}/copy.db", "k1")["component"] == "fuse"
    other.close()


@pytest.mark.parametrize("half", [False, True], ids=["quiet", "a body that never ends"])
def test_a_service_that_is_told_to_stop_does_and_its_store_is_one_file(
    tmp_path: Path, half: bool
) -> None:
    address = small_city(tmp_path)
    process, port = killing.served(address)
    keys = [f"k{number}" for number in range(12)]
    assert all(killing.post(port, "L000100", key) for key in keys)
    wire = socket.create_connection(("127.0.0.1", port))
    if half:
        head = "POST /api/repairs HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n{"
        wire.sendall(head.encode())
    time.sleep(0.3)
    begun = time.monotonic()
    process.terminate()
    process.wait(60)
    assert time.monotonic() - begun < GRACE_S + WARMING_S / 2
    shutil.copy(tmp_path / "city.db", tmp_path / "copy.db")
    store = open_store(f"sqlite:///{tmp_path}/copy.db")
    assert set(store.find("repairs", keys)) == set(keys)
    store.close()
    wire.close()


def test_serve_says_in_a_line_what_port_or_certificate_it_cannot_use(
    address: str, tmp_path: Path
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        busy = run("serve", "--port", port, "--db", address)
    assert busy.returncode == 1
    assert f"port {port}" in busy.stderr
    nowhere = run("serve", "--host", "x" * 300, "--db", address)
    assert nowhere.returncode == 1
    certificate = tmp_path / "some.pem"
    certificate.write_text("no certificate", "utf-8")
    files = ("--tls-cert", str(certificate), "--tls-key", str(certificate))
    bad = run("serve", *files, "--db", address)
    assert bad.returncode == 1
    for done, said in ((busy, "cannot listen"), (bad, "cannot be used")):
        line = done.stderr.strip().splitlines()[-1]
        assert said in line
        assert "Traceback" not in done.stderr
