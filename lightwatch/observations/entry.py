"""One record made by a person: the same rules as a file, and safe to send twice.

The key is made by whoever makes the record, before it is first sent. Sent again it
changes nothing; another record under the same key is refused.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

from lightwatch.errors import NotUnderstood, Unavailable
from lightwatch.nights import SECOND, LocalTime
from lightwatch.observations.batch import Batch, Context
from lightwatch.observations.checks import CHECKS
from lightwatch.observations.dating import dated
from lightwatch.observations.refused import (
    BrokenRule,
    NotOnRecord,
    OtherRecord,
    check_texts,
)
from lightwatch.observations.rules import Problem, problems, read_times
from lightwatch.observations.tables import Rows
from lightwatch.store import Store, Taken, Writer
from lightwatch.words import (
    DEAD,
    LIVE,
    LIVE_VOLTS,
    PER_LIGHT,
    SHUT,
    SUPPLY,
    Resource,
    resources,
)

CLOCK_SKEW = 15 * 60 * SECOND
"""A device's clock may be this far ahead of the store's [microseconds]."""

_RECORDED = "recorded_at as given"
"""Further column: when a device says that it recorded what it sends."""

_TRIES = 5
"""How often a record is tried where other services write the same one."""

_NAMES = {
    "light_id": "lights",
    "circuit_id": "circuits",
    "section_id": "sections",
    "report_id": "reports",
    "supersedes": "repairs",
}


NO_FAULT, MADE_SAFE, TESTED = "none", "made_safe", "tested"
"""What may be done at a light beside work on a component."""


@dataclass(frozen=True)
class Logged:
    """A record that is kept: its key, and whether it was there already."""

    key: str
    already: bool


def new_key() -> str:
    """Return a key for a new record: 128 random bits, so that no two makers clash."""
    return secrets.token_hex(16)


def usual(what: str) -> dict[str, str]:
    """Return what goes without saying of a job: component, cause and action.

    Parameters
    ----------
    what
        The kind of component worked on; ``none`` where nothing was wrong,
        ``made_safe`` where the light was left safe but not working. For ``tested``
        see :func:`voltage_test`.

    Raises
    ------
    NotUnderstood
        It is none of these.

    Examples
    --------
    >>> usual("photocontrol")
    {'component': 'photocontrol', 'cause': 'photocontrol', 'action': 'replaced'}
    >>> usual("cable")
    {'component': 'cable', 'cause': 'cable_fault', 'action': 'repaired'}
    """
    if what == NO_FAULT:
        return {"cause": "none", "action": "no_fault_found"}
    if what == MADE_SAFE:
        return {"cause": "unknown", "action": "made_safe", "made_safe": "yes"}
    if what == TESTED:
        reason = "a test wants what was found (expected live, dead or could_not_open)"
        raise NotUnderstood(reason)
    fields = {field.name: field for field in resources()["repairs"].fields}
    kinds = fields["component"].allowed or frozenset()
    if what not in kinds:
        listed = ", ".join([*sorted(kinds), NO_FAULT, MADE_SAFE, TESTED])
        raise NotUnderstood(f"{what!r} is no component (expected any of {listed})")
    mended = what in SUPPLY or what in PER_LIGHT
    return {
        "component": what,
        "cause": SUPPLY.get(what, what),
        "action": "repaired" if mended else "replaced",
    }


FOUND = {"live": LIVE, "dead": DEAD, "could_not_open": SHUT}
"""What a test of voltage may find, and the action that says so."""


def voltage_test(found: str, volts: str) -> dict[str, str]:
    """Return what goes without saying of a test of voltage.

    Parameters
    ----------
    found
        ``live``, ``dead`` or ``could_not_open``; blank: as the volts say.
    volts
        As read; blank where they were not measured.

    Raises
    ------
    NotUnderstood
        Neither says what was found.

    Examples
    --------
    >>> voltage_test("", "228")
    {'action': 'tested_live'}
    """
    wanted = "expected --found live, dead or could_not_open, or --volts V"
    if found:
        if found not in FOUND:
            raise NotUnderstood(f"a test cannot have found {found!r} ({wanted})")
        return {"action": FOUND[found]}
    if not volts:
        raise NotUnderstood(f"tested, but not what was found ({wanted})")
    try:
        return {"action": LIVE if float(volts) >= LIVE_VOLTS else DEAD}
    except ValueError:
        raise NotUnderstood(f"volts {volts!r} is not a number ({wanted})") from None


def light_tagged(store: Store, tag: str) -> str:
    """Return the light that a tag names: its own or its new number, or its pole's.

    Raises
    ------
    UnknownAsset
        No light has that tag.
    Conflict
        Several lights hang on that pole.
    """
    from lightwatch.observations.tagged import new_numbers

    own = store.find("lights", [tag]).get(tag)
    if own and not own["removed_on"]:
        return tag
    lights = store.frame("lights", ["light_id", "pole_id", "extra"])
    further = dict(zip(lights["light_id"], lights["extra"], strict=True))
    light = new_numbers(further).get(tag, tag if own else "")
    if light:
        return light
    found = list(lights["light_id"][lights["pole_id"].str.casefold() == tag.casefold()])
    if not found:
        raise NotOnRecord("light_id", tag, f"no light or pole is tagged {tag!r}")
    if len(found) > 1:
        reason = f"pole {tag} carries {', '.join(found)}: say which"
        raise OtherRecord("light_id", tag, reason, "")
    return str(found[0])


def not_ours(store: Store, light_id: str) -> str:
    """Say why a light, or its feed, is not ours to work on; '' if it is ours."""
    light = store.find("lights", [light_id]).get(light_id, {})
    if light.get("maintained_by"):
        return f"{light_id} is maintained by {light['maintained_by']}: not ours"
    if light.get("feed_owner"):
        return f"{light_id} is fed by {light['feed_owner']}: the feed is not ours"
    return ""


def _columns(resource: Resource, values: Mapping[str, str]) -> dict[str, list[str]]:
    unknown = sorted(set(values) - set(resource.columns))
    if unknown:
        reason = (
            f"{unknown[0]} is no column of {resource.name} "
            f"(expected any of {', '.join(resource.columns)})"
        )
        raise BrokenRule([Problem(0, unknown[0], values[unknown[0]], reason)])
    return {name: [values.get(name, "")] for name in resource.columns}


def _context(
    writer: Writer, clock: LocalTime, values: Mapping[str, str], now: int
) -> Context:
    context = Context(clock, now + CLOCK_SKEW, limit="now")
    for to in ("lights", "circuits", "sections", "reports", "repairs", "models"):
        context.keys[to] = set()
    for column, to in _NAMES.items():
        name = values.get(column, "")
        if not name:
            continue
        if not writer.find(to, [name]):
            raise NotOnRecord(column, name, f"{column} {name!r} is not in {to}")
        context.keys[to].add(name)
    fitted = [one.strip() for one in values.get("fitted_model", "").split("+")]
    context.keys["models"] = set(writer.find("models", [one for one in fitted if one]))
    lost = [one for one in fitted if one and one not in context.keys["models"]]
    if lost and writer.keys("models"):
        reason = f"fitted_model {lost[0]!r} is not in models"
        raise NotOnRecord("fitted_model", lost[0], reason)
    return context


def _corrects_once(writer: Writer, values: Mapping[str, str]) -> None:
    """Refuse a second correction of one repair: both would count."""
    old = values.get("supersedes", "")
    if not old:
        return
    writer.hold("repairs", old)
    newer = writer.first("repairs", "supersedes", old)
    if newer is not None:
        reason = f"repair {old} is already corrected by {newer}; correct that one"
        raise OtherRecord("supersedes", old, reason, newer)


def _complete(
    values: Mapping[str, str], clock: LocalTime, within: tuple[int, int]
) -> dict[str, str]:
    """Fill in when, where a person does not say, and that it is recorded now.

    When a record came to be known is for the store's own clock to say.
    """
    opened, now = within
    written = clock.at(now).isoformat(timespec="seconds")
    full = {name: text.strip() for name, text in values.items() if text.strip()}
    full.setdefault("performed_at", written)
    try:
        done = clock.instant(full["performed_at"])
    except NotUnderstood as error:
        text = full["performed_at"]
        reason = f"performed_at {error}"
        raise BrokenRule([Problem(0, "performed_at", text, reason)]) from None
    if done < opened:
        text, since = full["performed_at"], clock.at(opened).date().isoformat()
        reason = (
            f"performed_at is before the register was opened ({since}): is the "
            "device's clock right?"
        )
        raise BrokenRule([Problem(0, "performed_at", text, reason)])
    ahead = now - now % SECOND < done <= now + CLOCK_SKEW
    full["recorded_at"] = full["performed_at"] if ahead else written
    return full


def log_repair(
    store: Store, values: Mapping[str, str], *, now: int, said_by: str
) -> Logged:
    """Keep one repair; sent again under the same key it changes nothing.

    Parameters
    ----------
    store
        Where to.
    values
        Columns of the exchange format's repairs, as text; ``repair_id`` is the key.
        Blank: performed now. It is recorded now whatever a device says; what that
        says is kept in a further column, ``recorded_at as given``.
    now
        The time [instant].
    said_by
        Who says so.

    Raises
    ------
    NotUnderstood
        A value breaks the rules of intake.
    UnknownAsset
        It names a light, circuit, section, report, repair or model not on record.
    Conflict
        Another repair has this key.
    Unavailable
        The database is in trouble; sent again under its key it is kept once.
    """
    check_texts(values)
    place = store.place().place
    clock = LocalTime(place["timezone"])
    opened = clock.instant(place["opened_on"])
    given = {name: text.strip() for name, text in values.items() if text.strip()}
    if "repair_id" not in given:
        reason = "repair_id is missing (the key that makes a retry safe)"
        raise BrokenRule([Problem(0, "repair_id", "", reason)])
    for _ in range(_TRIES):
        with suppress(Taken):  # then what another service kept is there now
            return _kept_once(store, given, clock, (opened, now), said_by)
    raise Unavailable("other services are writing the same record; try again")


def _kept_once(
    store: Store,
    given: Mapping[str, str],
    clock: LocalTime,
    within: tuple[int, int],
    said_by: str,
) -> Logged:
    """Keep one repair that was done since the register was opened, till now."""
    resource, key = resources()["repairs"], given["repair_id"]
    with store.writing() as writer:
        kept = writer.find("repairs", [key]).get(key)
        if kept is not None:
            _same(given, {name: kept[name] or "" for name in resource.columns})
            return Logged(key, already=True)
        full = _complete(given, clock, within)
        _corrects_once(writer, full)
        context = _context(writer, clock, full, within[1])
        _insert(writer, resource, full, context, said_by, given.get("recorded_at", ""))
    return Logged(key, already=False)


def _same(given: Mapping[str, str], kept: Mapping[str, str]) -> None:
    for name, text in given.items():
        if name in kept and kept[name] != text and name != "recorded_at":
            key = given["repair_id"]
            reason = (
                f"repair {key} is on record with {name} {kept[name] or '(blank)'}, not "
                f"{text}; to correct it, log a new repair that supersedes it"
            )
            raise OtherRecord(name, text, reason, key)


def _insert(
    writer: Writer,
    resource: Resource,
    full: Mapping[str, str],
    context: Context,
    said_by: str,
    recorded: str,
) -> None:
    columns = _columns(resource, full)
    times = read_times(resource, columns, context.clock)
    dates = dated("repairs", columns, times, context.clock, {})
    batch = Batch(resource, Rows([1], columns), times, [full["repair_id"]], *dates)
    batch.problems += problems(resource, columns, context.clock, times)
    CHECKS["repairs"](batch, context)
    if batch.problems:
        raise BrokenRule(batch.problems)
    extra = {_RECORDED: recorded} if recorded else {}
    writer.header("repairs", [*full, *extra])
    writer.insert(
        "repairs",
        {
            **{name: [text or None for text in columns[name]] for name in columns},
            "key": batch.keys,
            "happened": batch.happened,
            "recorded": batch.recorded,
            "said_by": [said_by],
            "extra": [json.dumps(extra, ensure_ascii=False) if extra else None],
        },
    )
