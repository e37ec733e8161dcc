"""A dated correction of the register: a light moved, a tag that was wrong.

The older version of the row stays in the history: what was answered before the
correction was recorded is still answered so as of then.
"""

from __future__ import annotations

from collections.abc import Mapping

from lightwatch.errors import NotUnderstood, UnknownAsset
from lightwatch.nights import EARLIEST, LocalTime
from lightwatch.observations.rules import problems
from lightwatch.store import Change, Store, Writer
from lightwatch.words import resources

_LEADS_TO = {"circuit_id": "circuits", "section_id": "sections", "road_id": "roads"}


def _check(writer: Writer, values: Mapping[str, str], clock: LocalTime) -> None:
    resource = resources()["lights"]
    may = [name for name in resource.columns if name != "light_id"]
    for name, text in values.items():
        if name not in may:
            raise NotUnderstood(f"{name!r} cannot be amended ({', '.join(may)} can)")
        to = _LEADS_TO.get(name)
        if to and text and not writer.find(to, [text]):
            raise UnknownAsset(f"{name} {text!r} is not in {to}")
    columns = {name: [text] for name, text in values.items()}
    wrong = [
        problem.reason
        for problem in problems(resource, columns, clock, {})
        if problem.column in values
    ]
    if wrong:
        raise NotUnderstood("; ".join(wrong))


def amend_light(
    store: Store,
    light_id: str,
    values: Mapping[str, str],
    *,
    on: str | None,
    now: int,
    said_by: str,
) -> None:
    """Say that a light's row stands otherwise, from a date on.

    Parameters
    ----------
    store
        Where to.
    light_id
        The light.
    values
        Columns of the exchange format's lights, as text; blank is a value too.
    on
        First day, or time, from which it stood so; None: now.
    now
        The time [instant].
    said_by
        Who says so.

    Raises
    ------
    NotUnderstood
        A value breaks the rules of intake, or the date lies ahead.
    UnknownAsset
        There is no such light, circuit, section or road.
    Conflict
        A later version is on record.
    """
    clock = LocalTime(store.place().place["timezone"])
    try:
        effective = now if on is None else clock.instant(on)
    except NotUnderstood as error:
        raise NotUnderstood(f"{on!r} {error}") from None
    if not EARLIEST <= effective <= now:
        raise NotUnderstood(
            f"{on!r} lies ahead, or before 1900 (expected a day till now)"
        )
    if not values:
        raise NotUnderstood("nothing to amend (expected COLUMN=VALUE)")
    with store.writing() as writer:
        if not writer.find("lights", [light_id]):
            raise UnknownAsset(f"light {light_id!r} is not in lights")
        _check(writer, values, clock)
        row = {name: text or None for name, text in values.items()}
        writer.header("lights", list(values))
        writer.replace("lights", Change(light_id, row, effective, now, said_by))
