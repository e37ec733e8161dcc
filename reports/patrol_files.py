"""What goes into the truck's devices: a GPX track and a calendar entry."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

from lightwatch.decisions.patrol import CrewPlan, PatrolPlan
from lightwatch.nights import LocalTime
from reports.patrol import CAUTIONS, stretches

_GPX = "http://www.topografix.com/GPX/1/1"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _utc(instant: int) -> datetime:
    return _EPOCH + timedelta(microseconds=instant)


def _stamp(instant: int) -> str:
    return _utc(instant).strftime("%Y-%m-%dT%H:%M:%SZ")


def gpx(crew: CrewPlan, title: str) -> str:
    """Return a crew's patrol as GPX 1.1: a waypoint a stretch, and the track to follow.

    Parameters
    ----------
    crew
        What it drives.
    title
        Name of the track.
    """
    ElementTree.register_namespace("", _GPX)
    root = ElementTree.Element(f"{{{_GPX}}}gpx", version="1.1", creator="Lightwatch")

    def add(
        parent: ElementTree.Element, name: str, text: str = ""
    ) -> ElementTree.Element:
        made = ElementTree.SubElement(parent, f"{{{_GPX}}}{name}")
        made.text = text or None
        return made

    starts = {leg.starts_at: leg.line[0] for leg in crew.legs if leg.looking}
    for one in stretches(crew.legs):
        point = add(root, "wpt")
        point.set("lat", f"{starts[one.starts_at][1]:.6f}")
        point.set("lon", f"{starts[one.starts_at][0]:.6f}")
        add(point, "time", _stamp(one.starts_at))
        add(point, "name", one.name)
        add(point, "desc", f"look at {len(one.lights)} lights")
    track = add(root, "trk")
    add(track, "name", title)
    add(track, "desc", CAUTIONS[0])
    segment = add(track, "trkseg")
    for leg in crew.legs:
        for i, (longitude, latitude) in enumerate(leg.line):
            point = add(segment, "trkpt")
            point.set("lat", f"{latitude:.6f}")
            point.set("lon", f"{longitude:.6f}")
            share = i / max(len(leg.line) - 1, 1)
            add(point, "time", _stamp(round(leg.starts_at + share * leg.seconds * 1e6)))
    return ElementTree.tostring(root, "unicode", xml_declaration=True)


def calendar(plan: PatrolPlan, clock: LocalTime, place: str, now: int) -> str:
    """Return the patrol as iCalendar (RFC 5545), an event a crew, in UTC.

    Parameters
    ----------
    plan
        The patrol.
    clock
        Local time, for the words.
    place
        Name of the place.
    now
        When the entry is written [instant].
    """
    from icalendar import Calendar, Event

    made = Calendar()
    made.add("prodid", "-//Lightwatch//patrol//EN")
    made.add("version", "2.0")
    for number, crew in enumerate(plan.crews, 1):
        if crew.ends_at is None:
            continue
        event = Event()
        kind = plan.order.kind
        day = plan.order.night.isoformat()
        event.add("uid", f"patrol-{day}-{kind}-{number}@lightwatch.invalid")
        event.add("dtstamp", _utc(now - now % 1_000_000))
        event.add("dtstart", _whole(crew.legs[0].starts_at))
        event.add("dtend", _whole(crew.ends_at))
        event.add("summary", f"{kind.capitalize()} patrol {place}, crew {number}")
        event.add("location", f"{plan.depot[1]:.5f}, {plan.depot[0]:.5f} (depot)")
        event.add("geo", (plan.depot[1], plan.depot[0]))
        said = [
            f"{crew.found:.1f} finds expected, {crew.km:.0f} km.",
            f"First street at {clock.at(_first_look(crew)):%H:%M}.",
            *CAUTIONS,
        ]
        event.add("description", "\n".join(said))
        made.add_component(event)
    text: str = made.to_ical().decode("utf-8")
    return text


def _whole(instant: int) -> datetime:
    return _utc(round(instant / 1_000_000) * 1_000_000)


def _first_look(crew: CrewPlan) -> int:
    looked = (leg.starts_at for leg in crew.legs if leg.looking)
    return next(looked, crew.legs[0].starts_at)
