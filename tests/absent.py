"""A small complete town with some of its columns and files left out, asked everything.

What an export need not hold is read off the exchange format itself: every column that
is not required and every file but the required ones. A hole is one of them left out.
"""

from __future__ import annotations

import csv
import json
import os
import shutil
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from unittest.mock import patch

import jsonschema
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from api import create_app
from demo_city import Parameters, simulate
from lightwatch.cli import app
from lightwatch.errors import LightwatchError
from lightwatch.settings import Settings
from lightwatch.words import resources

FEW = 40
"""Paths of the stock room: enough to have a worst and a best."""

EVENING = "2017-10-31"
"""Of the last night before the package was written."""

_TOLD = (
    {"light_id": "L000003", "symptom": "out"},
    {"light_id": "L000004", "symptom": "out", "danger": "hanging", "notes": "again"},
    {"light_id": "L000005", "symptom": "group_out"},
    {"longitude": "-3.4001", "latitude": "52.287", "symptom": "out"},
    {"light_id": "L000040", "symptom": "dayburning"},
    {"light_id": "L000050", "symptom": "knocked_down", "danger": "down"},
    {"light_id": "L000060", "symptom": "out", "closed_at": f"{EVENING}T23:00",
     "closed_as": "nothing_found"},
    {"light_id": "L000003", "symptom": "out", "closed_at": f"{EVENING}T23:10",
     "closed_as": "duplicate", "duplicate_of": "Q90"},
)  # fmt: skip
"""What was told on the last evening, besides."""

_FEW = {
    "lights": {"feed": "underground", "notes": "under a tree", "technology": ""},
    "circuits": {"owner": "Vale Power", "feed": ""},
    "repairs": {"temporary_feed_until": "2017-11-05", "notes": "ladder needed"},
}
"""What a few rows of a file hold."""

BY = ("kind,type,technology,model,maker,vintage,feed,control,age,station,road_class,"
      "circuit")  # fmt: skip


@dataclass(frozen=True, order=True)
class Hole:
    """A column, or with a blank column a whole file, that an export need not hold."""

    file: str
    column: str = ""

    def __str__(self) -> str:
        return f"{self.file}.{self.column}" if self.column else self.file


def files() -> list[Hole]:
    """Every file that need not be there."""
    return [Hole(one.name) for one in resources().values() if not one.required]


def columns() -> list[Hole]:
    """Every column that need not be there."""
    return [
        Hole(one.name, field.name)
        for one in resources().values()
        for field in one.fields
        if not field.required and field.name not in one.key
    ] + [Hole("roads", name) for name in ("name", "class", "speed_kmh", "one_way")]


def covering(holes: Sequence[Hole], at_most: int) -> list[tuple[Hole, ...]]:
    """Return sets of holes such that each two are missing together in one of them.

    Greedy: to each set is added the hole that makes most new pairs, until none does or
    the set holds ``at_most``. A column of a missing file makes no pair.
    """
    left = {
        pair for pair in map(frozenset, combinations(holes, 2)) if not _nested(pair)
    }
    found = []
    while left:
        some: list[Hole] = sorted(min(left, key=sorted))
        while len(some) < at_most:
            news = {
                one: sum(frozenset((one, other)) in left for other in some)
                for one in holes
                if one not in some
                and not any(_nested(frozenset((one, other))) for other in some)
            }
            best = max(news, key=lambda one: (news[one], one), default=None)
            if best is None or not news[best]:
                break
            some.append(best)
        left -= set(map(frozenset, combinations(some, 2)))
        found.append(tuple(sorted(some)))
    return found


def _nested(pair: frozenset[Hole]) -> bool:
    first, second = pair
    return first.file == second.file and not (first.column and second.column)


@cache
def complete_town() -> Path:
    """Return the folder of a town of some hundred lights with nothing missing."""
    folder = Path(mkdtemp(prefix="lightwatch-complete-"))
    small = replace(Parameters.small(), lights=100, years=2, circuit_lights=10)
    simulate(small, 3).write(folder)
    for name in ("lights", "circuits", "repairs", "reports"):
        path = folder / resources()[name].path
        rows = _rows(path)
        for row in rows[3:6]:
            row.update(_FEW.get(name, {}))
        if name == "reports":
            rows += [
                {"report_id": f"Q9{i}", "received_at": f"{EVENING}T20:0{i}", **one}
                for i, one in enumerate(_TOLD)
            ]
        _write(path, resources()[name].columns, rows)
    return folder


def write_without(holes: Iterable[Hole], folder: Path) -> Path:
    """Write the complete town with holes; every second column stays, but blank."""
    source = complete_town()
    shutil.copytree(source, folder)
    lost: dict[str, list[str]] = {}
    for hole in holes:
        if hole.column:
            lost.setdefault(hole.file, []).append(hole.column)
        else:
            (folder / resources()[hole.file].path).unlink()
    for name, gone in lost.items():
        path = folder / resources()[name].path
        if path.suffix == ".geojson":
            _roads_without(path, gone)
        else:
            _table_without(path, gone)
    return folder


def _roads_without(path: Path, gone: Sequence[str]) -> None:
    roads = json.loads(path.read_text("utf-8"))
    for one in roads["features"]:
        for name in gone:
            del one["properties"][name]
    path.write_text(json.dumps(roads), "utf-8")


def _table_without(path: Path, gone: Sequence[str]) -> None:
    rows = _rows(path)
    names = list(rows[0])
    blank = {name for name in gone if names.index(name) % 2}
    kept = [name for name in names if name not in gone or name in blank]
    _write(path, kept, [{**row, **dict.fromkeys(blank, "")} for row in rows])


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _write(path: Path, names: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _kept(function: Callable[..., Any], key: Callable[..., Any]) -> Callable[..., Any]:
    answers: dict[Any, Any] = {}

    def once(*given: Any, **named: Any) -> Any:
        if len(given) > 1 or named:
            return function(*given, **named)
        asked = key(given[0])
        if asked not in answers:
            answers[asked] = (function(*given), given)
        return answers[asked][0]

    return once


@contextmanager
def worked_out_once() -> Iterator[None]:
    """Let all commands that ask one store as of one time share what they work out.

    And let nothing search or draw for longer than it must: the answers count here only
    for being answers.
    """
    from lightwatch.decisions import stock, triage
    from lightwatch.lives import lives
    from lightwatch.rates import life_models as fits
    from lightwatch.register import Register
    from reports.papers import desk, night

    kept_lives = _kept(lives, id)
    shared = _kept(Register, lambda known: (str(known.store.engine.url), known.as_of))
    with ExitStack() as stack:
        stack.enter_context(patch.dict(stock.stock.__kwdefaults__, paths=FEW))
        stack.enter_context(patch.object(night, "SECONDS", 0.0))
        for where, name, function in (
            ("lightwatch.register", "Register", shared),
            ("lightwatch.lives", "lives", kept_lives),
            (desk, "lives", kept_lives),
            (fits, "life_models", _kept(fits.life_models, id)),
            (triage, "outages", _kept(triage.outages, id)),
        ):
            if isinstance(where, str):
                stack.enter_context(patch(f"{where}.{name}", function))
            else:
                stack.enter_context(patch.object(where, name, function))
        yield


@dataclass(frozen=True)
class Broken:
    """A command that ended in neither an answer nor one line."""

    holes: tuple[Hole, ...]
    command: str
    said: str

    def __str__(self) -> str:
        return f"without {', '.join(map(str, self.holes))}: {self.command}\n{self.said}"


class Asked:
    """One store, asked; what broke is kept."""

    def __init__(
        self, holes: Sequence[Hole], folder: Path, schemas: Path | None = None
    ) -> None:
        self.holes = tuple(holes)
        self.folder = folder
        self.address = f"sqlite:///{folder / 'store.db'}"
        self.schemas = schemas
        self.broken: list[Broken] = []
        self.refused: list[str] = []

    def run(self, *words: str, schema: str = "", db: str = "") -> str:
        """Run a command; return what it printed."""
        told = CliRunner().invoke(app, [*words, "--db", db or self.address])
        error = told.exception
        if isinstance(error, SystemExit):
            error = None
        if isinstance(error, LightwatchError):
            self.refused.append(f"{words[0]}: {error}")
            if "\n" in str(error).strip():
                self.broke(words, f"more than one line: {error}")
        elif error is not None:
            self.broke(words, "".join(traceback.format_exception(error)[-4:]))
        elif "Traceback" in told.stderr:
            self.broke(words, told.stderr)
        elif schema and told.exit_code == 0:
            self._valid(words, told.stdout, schema)
        return told.stdout

    def _valid(self, words: Sequence[str], printed: str, schema: str) -> None:
        if self.schemas is None:
            json.loads(printed)
            return
        path = self.schemas / f"{schema}.schema.json"
        try:
            jsonschema.validate(json.loads(printed), json.loads(path.read_text()))
        except jsonschema.ValidationError as error:
            where = "/".join(map(str, error.absolute_path))
            self.broke(words, f"{where}: {error.message[:300]}")

    def broke(self, words: Sequence[str], said: str) -> None:
        self.broken.append(Broken(self.holes, " ".join(words), said))

    def questions(self) -> None:
        """Ask all that reads, each once."""
        out = self.folder
        self.run("rates", "--by", BY, "--json", schema="rates")
        self.run("lives", "--json", schema="lives")
        self.run("outages", "--json", schema="outages")
        self.run("map", "--out", str(out / "map.html"))
        tonight = ("patrol", "--night", EVENING, "--improve", "0", "--json")
        self.run(*tonight, "--out", str(out / "truck"), schema="patrol")
        advised = ("stock", "--months", "3", "--json", "--advice")
        self.run(*advised, "--out", str(out / "order"), schema="stock")
        again = ("repeats", "--json", "--map", str(out / "again.html"))
        self.run(*again, schema="repeats")
        self.run("report", "all", "--out", str(out / "papers"))

    def read_as_text(self) -> None:
        """Ask the same for people to read."""
        self.run("rates", "--drawn")
        self.run("rates", "--by", "district")
        self.run("lives", "--pictures", str(self.folder / "curves"))
        self.run("outages", "--explain")
        self.run("patrol", "--night", EVENING, "--improve", "0", "--day")
        self.run("stock", "--months", "3", "--advice")
        self.run("repeats")

    def slow_questions(self) -> None:
        """Ask what fits or judges years anew."""
        self.run("lives", "--backtest")
        curve = str(self.folder / "reliability.svg")
        self.run("outages", "--calibrated", "--reliability", curve)

    def out_and_in_again(self) -> None:
        """Export, load that, export again: nothing may change."""
        first, second = self.folder / "first", self.folder / "second"
        other = f"sqlite:///{self.folder / 'other.db'}"
        self.run("export", str(first))
        rejects = self.folder / "again.csv"
        self.run("load", str(first), "--rejects", str(rejects), db=other)
        self.run("export", str(second), db=other)
        if not rejects.exists():
            self.broke(["load", "what was exported"], self.refused[-1])
            return
        if len(lines := rejects.read_text("utf-8").splitlines()) > 1:
            self.broke(["load", "what was exported"], "\n".join(lines[:5]))
        for path in sorted(first.iterdir()):
            if path.read_bytes() != (second / path.name).read_bytes():
                self.broke(["export"], f"{path.name} came out otherwise again")

    def records(self) -> None:
        """Log a repair, a reading and a patrol; correct a light."""
        self.run("repair", "L000003", "photocontrol", "--proven", "cover_test")
        self.run("repair", "L000005", "tested", "--volts", "0", "--json")
        self.run("repair", "cable", "--section", "S000001")
        self.run("amend", "L000001", "watts=40", "--on", EVENING)
        plan = self.folder / "truck" / "plan.json"
        if plan.exists():
            begun = ("--started", f"{EVENING}T20:00", "--seen", "L000007")
            self.run("patrol-done", "N1", *begun, "--plan", str(plan))

    def pages(self) -> None:
        """Open every page of the service, and log a repair on one."""
        web = {"Accept": "text/html"}
        paths = ("/", "/?tag=P20000", "/shell", "/queue", "/sw.js", "/lights/L000004",
                 "/lights/L000040", "/map", "/api/lights", "/api/lights/L000004",
                 "/api/lights?longitude=-3.4&latitude=52.287",
                 "/api/extract?longitude=-3.4&latitude=52.287",
                 "/api/rates", "/api/outages", "/api/troubles")  # fmt: skip
        service = create_app(Settings(database_url=self.address))
        try:
            with TestClient(service, base_url="http://lights.test") as client:
                for path in paths:
                    kind = {} if path.startswith("/api") else web
                    reply = client.get(path, headers=kind)
                    if reply.status_code >= 500:
                        self.broke(["GET", path], reply.text[:500])
                given = {"light_id": "L000004", "what": "lamp", "repair_id": "a" * 32}
                reply = client.post("/repairs", data={**given, "proven": "seen_lit"})
                if reply.status_code != 200:
                    self.broke(["POST", "/repairs"], reply.text[:500])
        except Exception as error:
            self.broke(["serve"], "".join(traceback.format_exception(error)[-4:]))
        finally:
            service.state.present.store.engine.dispose()


def ask_everything(
    holes: Sequence[Hole],
    folder: Path,
    schemas: Path | None,
    *,
    text: bool = True,
    slow: bool = False,
) -> list[Broken]:
    """Load the town with holes and ask every command; return what broke.

    ``text``: also as people read it; ``slow``: also what judges past years anew.
    """
    folder.mkdir(parents=True, exist_ok=True)
    asked = Asked(holes, folder, schemas)
    package = write_without(holes, folder / "town")
    before = Path.cwd()
    os.chdir(folder)
    try:
        with worked_out_once():
            take_in = ("load", str(package), "--partial", "--json")
            if asked.run(*take_in, schema="load"):
                asked.questions()
                if text:
                    asked.read_as_text()
                if slow:
                    asked.slow_questions()
                asked.out_and_in_again()
                asked.records()
                asked.pages()
            else:
                asked.broke(["load"], "refused, though nothing needed is missing")
    finally:
        os.chdir(before)
    return asked.broken
