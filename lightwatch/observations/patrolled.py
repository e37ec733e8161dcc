"""A patrol as it came back: the roads driven, and the lights that were not lit.

Every light on a road driven that is not named was seen lit. A road not seen well, for
fog, snow or rain, says nothing of the lights that are not named: it does not count as
driven, and what was seen there all the same is kept as reports.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.batch import Batch, Context
from lightwatch.observations.checks import CHECKS
from lightwatch.observations.dating import dated, patrol_recorded
from lightwatch.observations.entry import CLOCK_SKEW, Logged
from lightwatch.observations.refused import BrokenRule, NotOnRecord, OtherRecord
from lightwatch.observations.rules import Problem, problems, read_times
from lightwatch.observations.tables import Rows
from lightwatch.store import Store, Writer
from lightwatch.words import resources

CHANNEL = "patrol"
"""How what was seen on a road not seen well came in."""

_KEY = {
    "patrols": ("patrol_id", "road_id"),
    "sightings": ("patrol_id", "light_id", "seen_at"),
    "reports": ("report_id",),
}


@dataclass(frozen=True)
class Seen:
    """A light that was not as it should be; ``seen_at`` blank: when it set out."""

    light_id: str
    state: str = "out"
    seen_at: str = ""


@dataclass(frozen=True)
class Patrolled:
    """One crew's patrol.

    Parameters
    ----------
    patrol_id
        Key, made before it is first sent; sent again it changes nothing.
    started_at
        Local time, or with an offset.
    roads
        Roads driven and seen well; a patrol broken off names those driven until then.
    seen
        Lights that were not as they should be.
    hindered
        Road to why it was not seen well.
    kind
        ``night`` or ``day``.
    """

    patrol_id: str
    started_at: str
    roads: Sequence[str]
    seen: Sequence[Seen] = ()
    hindered: Mapping[str, str] = field(default_factory=dict)
    kind: str = "night"

    def __post_init__(self) -> None:
        if not self.patrol_id.strip():
            raise NotUnderstood(
                "patrol_id is missing (the key that makes a retry safe)"
            )
        if not self.roads and not self.hindered:
            raise NotUnderstood("no road was driven: there is nothing to record")


@dataclass(frozen=True)
class PatrolLogged(Logged):
    """What became of a patrol.

    Parameters
    ----------
    roads, sightings, reports
        Rows kept.
    """

    roads: int = 0
    sightings: int = 0
    reports: int = 0


def log_patrol(
    store: Store, patrol: Patrolled, *, now: int, said_by: str
) -> PatrolLogged:
    """Keep one patrol, all of it or nothing; sent again it changes nothing.

    Parameters
    ----------
    store
        Where to.
    patrol
        What was driven and seen.
    now
        The time [instant].
    said_by
        Who says so.

    Raises
    ------
    NotUnderstood
        A value breaks the rules of intake.
    UnknownAsset
        It names a road or light that is not on record.
    Conflict
        Another patrol has this key.
    """
    clock = LocalTime(store.place().place["timezone"])
    roads = [
        name for name in dict.fromkeys(patrol.roads) if name not in patrol.hindered
    ]
    with store.writing() as writer:
        road_of = _known(writer, patrol)
        badly = [one for one in patrol.seen if road_of[one.light_id] in patrol.hindered]
        if not roads:
            badly = list(patrol.seen)
        well = [one for one in patrol.seen if one not in badly]
        tables = {
            "patrols": _patrol_rows(patrol, roads),
            "sightings": _sighting_rows(patrol, well),
            "reports": _report_rows(patrol, badly),
        }
        counts = {name: len(next(iter(rows.values()))) for name, rows in tables.items()}
        if _kept_already(writer, patrol, tables):
            return PatrolLogged(patrol.patrol_id, True, *counts.values())
        for name, columns in tables.items():
            if counts[name]:
                _insert(writer, name, columns, patrol, clock, now, said_by)
    return PatrolLogged(patrol.patrol_id, False, *counts.values())


def _known(writer: Writer, patrol: Patrolled) -> dict[str, str]:
    """Return the road of each light seen; refuse what is not on record."""
    for name in (*patrol.roads, *patrol.hindered):
        if not writer.find("roads", [name]) and writer.keys("roads"):
            raise NotOnRecord("road_id", name, f"road {name!r} is not in roads")
    lights = [one.light_id for one in patrol.seen]
    found = writer.find("lights", lights)
    for light in lights:
        if light not in found:
            raise NotOnRecord("light_id", light, f"light {light!r} is not in lights")
    return {light: row["road_id"] or "" for light, row in found.items()}


def _patrol_rows(patrol: Patrolled, roads: Sequence[str]) -> dict[str, list[str]]:
    count = len(roads)
    return {
        "patrol_id": [patrol.patrol_id] * count,
        "started_at": [patrol.started_at] * count,
        "road_id": list(roads),
        "kind": [patrol.kind] * count,
    }


def _sighting_rows(patrol: Patrolled, seen: Sequence[Seen]) -> dict[str, list[str]]:
    return {
        "patrol_id": [patrol.patrol_id] * len(seen),
        "light_id": [one.light_id for one in seen],
        "state": [one.state for one in seen],
        "seen_at": [one.seen_at or patrol.started_at for one in seen],
    }


def _report_rows(patrol: Patrolled, seen: Sequence[Seen]) -> dict[str, list[str]]:
    every = sorted(set(patrol.hindered.values()))
    note = f"seen on patrol {patrol.patrol_id}, not well: {', '.join(every)}"
    blank = [""] * len(seen)
    return {
        "report_id": [f"{patrol.patrol_id}-{one.light_id}-{one.state}" for one in seen],
        "received_at": [one.seen_at or patrol.started_at for one in seen],
        "light_id": [one.light_id for one in seen],
        "longitude": blank,
        "latitude": blank,
        "symptom": [one.state for one in seen],
        "channel": [CHANNEL] * len(seen),
        "danger": blank,
        "notes": [note] * len(seen),
    }


def _keys(name: str, columns: Mapping[str, Sequence[str]]) -> list[str]:
    parts = zip(*(columns[column] for column in _KEY[name]), strict=True)
    return ["|".join(part) for part in parts]


def _kept_already(
    writer: Writer, patrol: Patrolled, tables: Mapping[str, dict[str, list[str]]]
) -> bool:
    """Tell whether this very patrol is on record; refuse another under its key."""
    prefix = f"{patrol.patrol_id}|"
    kept = {key for key in writer.keys("patrols") if key.startswith(prefix)}
    sighted = {key for key in writer.keys("sightings") if key.startswith(prefix)}
    reports = _keys("reports", tables["reports"])
    told = set(writer.find("reports", reports))
    if not kept and not sighted and not told:
        return False
    same = (
        kept == set(_keys("patrols", tables["patrols"]))
        and sighted == set(_keys("sightings", tables["sightings"]))
        and told == set(reports)
    )
    if same:
        return True
    reason = (
        f"another patrol is on record under {patrol.patrol_id} ({len(kept)} roads, "
        f"{len(sighted)} sightings): give this one a key of its own"
    )
    raise OtherRecord("patrol_id", patrol.patrol_id, reason, patrol.patrol_id)


def _context(
    name: str, columns: Mapping[str, Sequence[str]], clock: LocalTime, now: int
) -> Context:
    """Return what rows are judged against: all that they name was found before."""
    context = Context(clock, now + CLOCK_SKEW, limit="now")
    for column, to in (
        ("road_id", "roads"), ("light_id", "lights"), ("patrol_id", "patrols"),
    ):  # fmt: skip
        context.keys[to] = set(columns.get(column, ()))
    return context


def _insert(
    writer: Writer,
    name: str,
    columns: dict[str, list[str]],
    patrol: Patrolled,
    clock: LocalTime,
    now: int,
    said_by: str,
) -> None:
    resource = resources()[name]
    times = read_times(resource, columns, clock)
    found = problems(resource, columns, clock, times)
    if found:
        raise BrokenRule(found)
    started = read_times(
        resources()["patrols"], {"started_at": [patrol.started_at]}, clock
    )["started_at"][0]
    over = patrol_recorded(started, patrol.kind, clock)
    recorded = {} if over is None else {patrol.patrol_id: over}
    if over is None:
        reason = "started_at is not a time (expected YYYY-MM-DDThh:mm)"
        raise BrokenRule([Problem(0, "started_at", patrol.started_at, reason)])
    dates = dated(name, columns, times, clock, recorded)
    lines = list(range(1, len(next(iter(columns.values()))) + 1))
    batch = Batch(resource, Rows(lines, columns), times, _keys(name, columns), *dates)
    CHECKS[name](batch, _context(name, columns, clock, now))
    if batch.problems:
        raise BrokenRule(batch.problems)
    if name == "sightings":
        _in_that_patrol(batch, over)
    used = [column for column in columns if any(columns[column])]
    writer.header(name, used)
    writer.insert(
        name,
        {
            **{
                column: [text or None for text in columns[column]] for column in columns
            },
            "key": batch.keys,
            "happened": batch.happened,
            "recorded": batch.recorded,
            "said_by": [said_by] * len(batch),
        },
    )


def _in_that_patrol(batch: Batch, over: int) -> None:
    """Refuse a light seen after the patrol's night, or its day, was over."""
    late = [i for i, at in enumerate(batch.happened) if at is not None and at > over]
    if late:
        seen = batch.column("seen_at")[late[0]]
        reason = f"seen_at {seen} is after the patrol was over"
        raise BrokenRule([Problem(late[0], "seen_at", seen, reason)])
