"""What rows must be to each other: order in time, place, references.

One function for each file; the contract's table of intake is their source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lightwatch.errors import NotUnderstood
from lightwatch.nights import EARLIEST, read_date, read_partial_date
from lightwatch.observations.batch import Batch, Context
from lightwatch.words import DEAD, LIVE, LIVE_VOLTS, SHUT

FAR_M = 50_000.0
"""A light farther than this from the middle of the lights is in another place [m]."""

_EARTH_RADIUS_M = 6_371_008.8

Floats = NDArray[np.float64]


def distance_m(lon: Floats, lat: Floats, middle: tuple[float, float]) -> Floats:
    """Great-circle distance to a point by the haversine formula [m]."""
    east, north = np.radians(lon), np.radians(lat)
    east0, north0 = np.radians(middle[0]), np.radians(middle[1])
    half = (
        np.sin((north - north0) / 2) ** 2
        + np.cos(north) * np.cos(north0) * np.sin((east - east0) / 2) ** 2
    )
    distance: Floats = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
    return distance


def _floats(values: list[str]) -> Floats:
    def read(text: str) -> float:
        try:
            return float(text)
        except ValueError:
            return float("nan")

    found = np.array([read(text) for text in values], dtype=float)
    return np.where(np.isfinite(found), found, np.nan)


def _reject_unknown(batch: Batch, context: Context, column: str, to: str) -> None:
    for i, reason in batch.unknown(context, column, to):
        batch.reject(i, column, reason)


def _blank_unknown(batch: Batch, context: Context, column: str, to: str) -> None:
    for i, reason in batch.unknown(context, column, to):
        batch.blank(context, i, column, reason)


def _warn_unknown(batch: Batch, context: Context, column: str, to: str) -> set[int]:
    found = set()
    for i, reason in batch.unknown(context, column, to):
        batch.warn(i, f"{reason}; kept without it")
        found.add(i)
    return found


def _in_time(batch: Batch, context: Context, column: str, verb: str) -> None:
    values = batch.column(column)
    times = batch.times.get(column, [])
    if max((at for at in times if at is not None), default=0) > context.created:
        for i, at in enumerate(times):
            if at is not None and at > context.created:
                batch.reject(i, column, f"{verb} later than {context.limit}")
    if min((at for at in times if at is not None), default=0) < EARLIEST:
        for i, at in enumerate(times):
            if at is not None and at < EARLIEST:
                batch.reject(i, column, f"{verb} before 1900")
    days = {text[:10] for text in values}
    if not any(context.clock.changes_on(day) for day in days):
        return
    odd = {text for text in set(values) if context.clock.is_odd(text)}
    for i, text in enumerate(values):
        if text in odd:
            batch.warn(
                i,
                f"{column} {text} is skipped or repeated by a clock change; "
                "read as its first meaning",
            )


def _lights(batch: Batch, context: Context) -> None:
    lon, lat = _floats(batch.column("longitude")), _floats(batch.column("latitude"))
    placed = (abs(lon) <= 180) & (abs(lat) <= 90)
    if placed.any():
        middle = float(np.median(lon[placed])), float(np.median(lat[placed]))
        swapped = distance_m(lat, lon, middle) <= FAR_M
        far = distance_m(lon, lat, middle) > FAR_M
        for i in np.flatnonzero(far & (placed | swapped)).tolist():
            batch.reject(
                i,
                "longitude",
                "longitude and latitude are swapped"
                if swapped[i]
                else "lies more than 50 km from the middle of the lights",
            )
    entered, removed = batch.column("in_service"), batch.column("removed_on")
    for i, (first, last) in enumerate(zip(entered, removed, strict=True)):
        if first and last and _before(last, first):
            batch.reject(i, "in_service", "in service after it was removed")
    _blank_unknown(batch, context, "circuit_id", "circuits")
    _blank_unknown(batch, context, "section_id", "sections")
    for i, reason in batch.unknown(context, "road_id", "roads"):
        batch.warn(i, reason)


def _before(first: str, second: str) -> bool:
    try:
        return read_date(first) < read_date(second)
    except NotUnderstood:
        return False


def _sections(batch: Batch, context: Context) -> None:
    _reject_unknown(batch, context, "circuit_id", "circuits")
    upstream = batch.column("upstream_section_id")
    first = _first_good(batch)
    here = [(key, batch.column("circuit_id")[i]) for key, i in first.items()]
    circuit = {**context.section_circuit, **dict(here)}
    fed_by = {**context.fed_by, **{key: upstream[i] for key, i in first.items()}}
    bad = set(batch.keys) - set(first) - set(context.section_circuit)
    for key, i in first.items():
        up, reason = upstream[i], None
        if up and up not in circuit and up not in bad:
            reason = "upstream_section_id is not in sections"
        elif up in circuit and circuit[up] != circuit[key]:
            reason = f"lies on another circuit than its upstream section {up}"
        elif up and _feeds_itself(key, fed_by):
            reason = "feeds itself"
        if reason:
            batch.reject(i, "upstream_section_id", reason)
            bad.add(key)
    _hang_on_rejected(batch, upstream, bad)


def _first_good(batch: Batch) -> dict[str, int]:
    """Return for each key the row that will stand for it, as far as it is known."""
    bad = batch.bad
    first: dict[str, int] = {}
    for i, key in enumerate(batch.keys):
        if i not in bad:
            first.setdefault(key, i)
    return first


def _feeds_itself(key: str, fed_by: dict[str, str]) -> bool:
    slow = fast = key
    while True:
        slow = fed_by.get(slow, "")
        fast = fed_by.get(fed_by.get(fast, ""), "")
        if slow == key or fast == key:
            return True
        if not fast or slow == fast:
            return False


def _hang_on_rejected(batch: Batch, upstream: list[str], bad: set[str]) -> None:
    hanging: dict[str, list[int]] = {}
    for i, up in enumerate(upstream):
        if up:
            hanging.setdefault(up, []).append(i)
    already = batch.bad
    waiting = list(bad)
    while waiting:
        up = waiting.pop()
        for i in hanging.get(up, ()):
            if i not in already:
                already.add(i)
                batch.reject(
                    i,
                    "upstream_section_id",
                    "upstream_section_id hangs on a row of sections that was rejected",
                )
                waiting.append(batch.keys[i])


def _components(batch: Batch, context: Context) -> None:
    lights, circuits = batch.column("light_id"), batch.column("circuit_id")
    for i, (light, circuit) in enumerate(zip(lights, circuits, strict=True)):
        if not light and not circuit:
            batch.reject(i, "light_id", "names neither a light nor a circuit")
    _reject_unknown(batch, context, "light_id", "lights")
    _reject_unknown(batch, context, "circuit_id", "circuits")
    _blank_unknown(batch, context, "model", "models")


def _reports(batch: Batch, context: Context) -> None:
    _in_time(batch, context, "received_at", "received")
    lost = _warn_unknown(batch, context, "light_id", "lights")
    rows = zip(
        batch.column("light_id"),
        batch.column("longitude"),
        batch.column("latitude"),
        strict=True,
    )
    nowhere = {
        i
        for i, (light, lon, lat) in enumerate(rows)
        if (not light or i in lost) and not (lon and lat)
    }
    nowhere -= _duplicates(batch, context, nowhere)
    for i in sorted(nowhere):
        batch.reject(i, "light_id", "nothing says where (no light, no coordinates)")
    _closings(batch, context)


def _closings(batch: Batch, context: Context) -> None:
    for i, at in enumerate(batch.times.get("closed_at", ())):
        if at is None:
            continue
        received = batch.happened[i]
        if at > context.created:
            reason = f"closed_at is later than {context.limit}"
            batch.blank(context, i, "closed_at", reason)
        elif received is not None and at < received:
            batch.blank(context, i, "closed_at", "closed_at is before received_at")


def _duplicates(batch: Batch, context: Context, nowhere: set[int]) -> set[int]:
    """Blank what is a duplicate of nothing; return the rows whose original has a place.

    The batch is the whole file: an original may stand after its duplicate.
    """
    named = batch.column("duplicate_of")
    if not any(named):
        return set()
    first, on_record = _first_good(batch), context.keys["reports"]
    placed: set[int] = set()
    for i, text in enumerate(named):
        if not text:
            continue
        way = [i]
        while (up := first.get(named[way[-1]], -1)) >= 0 and up not in way:
            way.append(up)
        last = named[way[-1]]
        looped = up >= 0
        if i == up or (not looped and text not in first and text not in on_record):
            what = "its own duplicate" if i == up else "not in reports"
            batch.blank(context, i, "duplicate_of", f"duplicate_of is {what}")
        elif not looped and (last in on_record or way[-1] not in nowhere):
            placed.add(i)
    return placed


_WHERE = (
    ("light_id", "lights"),
    ("circuit_id", "circuits"),
    ("section_id", "sections"),
)


def _repairs(batch: Batch, context: Context) -> None:
    _in_time(batch, context, "performed_at", "performed")
    _in_time(batch, context, "recorded_at", "recorded")
    rows = zip(batch.happened, batch.recorded, batch.column("recorded_at"), strict=True)
    for i, (done, known, text) in enumerate(rows):
        late = done is None or done > context.created
        if text and not late and known is not None and known < (done or 0):
            batch.reject(i, "recorded_at", "recorded before it was performed")
    lost = _warn_unknown(batch, context, "report_id", "reports")
    reports = batch.column("report_id")
    none = "reports" in context.absent
    nowhere = {i for i, text in enumerate(reports) if none or not text or i in lost}
    for column, to in _WHERE:
        lost = _warn_unknown(batch, context, column, to)
        blank = {i for i in nowhere if not batch.column(column)[i]}
        nowhere = blank | (nowhere & lost)
    for i in sorted(nowhere):
        reason = "nothing says where (no light, circuit, section or report on record)"
        batch.reject(i, "light_id", reason)
    _voltage_tests(batch)
    _models_fitted(batch, context)
    _date_codes(batch)


def _voltage_tests(batch: Batch) -> None:
    """Hold the volts of a test to what it is said to have found."""
    found = batch.column("action")
    if not {LIVE, DEAD, SHUT} & set(found):
        return
    expected = {
        LIVE: f"{LIVE_VOLTS:g} or more is live",
        DEAD: f"less than {LIVE_VOLTS:g} is dead",
        SHUT: "none, for nothing was read",
    }
    for i, (action, volts) in enumerate(zip(found, batch.column("volts"), strict=True)):
        if action not in expected or not volts:
            continue
        try:
            says = LIVE if float(volts) >= LIVE_VOLTS else DEAD
        except ValueError:
            continue  # told already: volts is not a number
        if says != action:
            told = (
                f"volts {volts} do not go with {action} (expected {expected[action]})"
            )
            batch.reject(i, "volts", told)


def _models_fitted(batch: Batch, context: Context) -> None:
    if "models" in context.absent:
        return
    models = context.keys["models"]
    values = batch.column("fitted_model")
    lost = {
        text: [one for one in text.split("+") if one.strip() not in models]
        for text in set(values)
        if text and text not in models
    }
    for i, text in enumerate(values if lost else ()):
        for model in lost.get(text, ()):
            batch.warn(i, f"fitted_model {model} is not in models")


def _date_codes(batch: Batch) -> None:
    for i, text in enumerate(batch.column("removed_date_code")):
        if text:
            try:
                read_partial_date(text)
            except NotUnderstood as error:
                batch.warn(i, f"removed_date_code {text} {error}; kept as text")


def _patrols(batch: Batch, context: Context) -> None:
    _in_time(batch, context, "started_at", "started")
    _reject_unknown(batch, context, "road_id", "roads")


def _sightings(batch: Batch, context: Context) -> None:
    _in_time(batch, context, "seen_at", "seen")
    _reject_unknown(batch, context, "patrol_id", "patrols")
    _reject_unknown(batch, context, "light_id", "lights")


def _weather(batch: Batch, context: Context) -> None:
    for i, at in enumerate(batch.happened):
        if at is not None and at >= context.created:
            batch.reject(i, "date", "measured later than the package was created")
        elif at is not None and at < EARLIEST:
            batch.reject(i, "date", "measured before 1900")
    for i, reason in batch.unknown(context, "station_id", "stations"):
        batch.warn(i, reason)


def _stock(batch: Batch, context: Context) -> None:
    _reject_unknown(batch, context, "model", "models")


CHECKS: dict[str, Callable[[Batch, Context], None]] = {
    "lights": _lights,
    "sections": _sections,
    "components": _components,
    "reports": _reports,
    "repairs": _repairs,
    "patrols": _patrols,
    "sightings": _sightings,
    "weather": _weather,
    "stock": _stock,
}
