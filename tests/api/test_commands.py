"""`lightwatch repair` and `lightwatch serve` as a person runs them."""

from __future__ import annotations

import json
import re
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from lightwatch.cli import main
from lightwatch.store import open_store
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
