"""When a row happened and when it was recorded.

A row counts from strictly after the instant at which it was recorded. A patrol is
recorded in the last microsecond of its night, a weather day in its last microsecond:
so that both count as soon as they are over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.rules import Times

Dates = tuple[list[int | None], list[int | None]]


def patrol_recorded(at: int | None, kind: str, clock: LocalTime) -> int | None:
    """Return the last instant of a patrol's night, or of a day patrol's day."""
    if at is None:
        return None
    over = clock.day_over(at) if kind == "day" else clock.night_over(at)
    return over - 1


def _patrols(
    columns: Mapping[str, Sequence[str]], times: Times, clock: LocalTime
) -> Dates:
    started = times["started_at"]
    kinds = columns.get("kind") or [""] * len(started)
    pairs = list(zip(started, kinds, strict=True))
    over = {pair: patrol_recorded(*pair, clock) for pair in set(pairs)}
    return started, [over[pair] for pair in pairs]


def _days(values: Sequence[str], clock: LocalTime, end: bool) -> list[int | None]:
    def read(text: str) -> int | None:
        try:
            at = clock.instant(text[:10]) if text else None
        except NotUnderstood:
            return None
        return clock.day_over(at) - 1 if end and at is not None else at

    found = {text: read(text) for text in set(values)}
    return [found[text] for text in values]


def dated(
    resource: str,
    columns: Mapping[str, Sequence[str]],
    times: Times,
    clock: LocalTime,
    patrols: Mapping[str, int],
) -> Dates:
    """Return when each row happened and when it was recorded [instants].

    Parameters
    ----------
    resource
        The file that the rows belong to.
    columns
        Its columns, of equal length.
    times
        Its columns of times, read.
    clock
        Local time at the place.
    patrols
        Patrol to the instant at which it was recorded.
    """
    length = len(next(iter(columns.values()), ()))
    match resource:
        case "reports":
            return times["received_at"], times["received_at"]
        case "repairs":
            done = times["performed_at"]
            both = zip(done, times.get("recorded_at", done), strict=True)
            return done, [d if k is None else k for d, k in both]
        case "patrols":
            return _patrols(columns, times, clock)
        case "sightings":
            seen = times["seen_at"]
            over = [patrols.get(name) for name in columns["patrol_id"]]
            pairs = zip(seen, over, strict=True)
            return seen, [
                None if s is None or o is None else max(s - 1, o) for s, o in pairs
            ]
        case "weather":
            days = columns["date"]
            return _days(days, clock, end=False), _days(days, clock, end=True)
        case "lights":
            entered = _days(columns.get("in_service") or [""] * length, clock, False)
            return entered, entered
        case _:
            return [None] * length, [None] * length
