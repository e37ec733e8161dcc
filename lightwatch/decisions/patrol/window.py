"""When crews are out: inside the darkness, after the lamps have run up, within H."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from lightwatch.decisions.patrol.order import Order
from lightwatch.errors import NotUnderstood
from lightwatch.nights import SECOND
from lightwatch.nights.darkness import Darkness, Place, darkness, daylight
from lightwatch.nights.sun import HORIZON_DEG

_MINUTE = 60 * SECOND
_BY_DAY = "09:00"
_LEAST_S = 60.0


@dataclass(frozen=True)
class Window:
    """The time for a patrol.

    Parameters
    ----------
    dark
        Dusk to dawn; for a day patrol sunrise to sunset.
    begins
        When crews may set out at the earliest [instant]; None: not at all.
    looks_from
        When the first street may be looked at [instant].
    budget_s
        From depot to depot [s].
    notes
        What a person should know of it.
    """

    dark: Darkness
    begins: int | None
    looks_from: int
    budget_s: float
    notes: tuple[str, ...]

    def set_out(self, before_first_s: float) -> int:
        """Return when a crew sets out whose first street is so far away [s]."""
        begins = self.begins or 0
        return max(begins, self.looks_from - round(before_first_s * SECOND))


def window(place: Place, order: Order) -> Window:
    """Return when the patrol that was asked for can be out.

    Hours that outlast the darkness are cut, and that is said. A night that does not
    get dark has no patrol.
    """
    find = daylight if order.kind == "day" else darkness
    dark = find(place, order.night)
    if dark.begins is None or dark.ends is None:
        return Window(dark, None, 0, 0.0, (_none(place, order, dark),))
    notes = [_endless(order)] if dark.kind == "always" else []
    starts = order.starts or (_BY_DAY if order.kind == "day" else "")
    begins, said = _asked(place, order, dark, starts)
    notes += said
    warm = 0 if dark.kind == "always" else round(order.warm_up_min * _MINUTE)
    looks_from = max(dark.begins + warm, begins)
    left_s = (dark.ends - looks_from) / SECOND
    budget_s = min(order.hours * 3600.0, left_s)
    if budget_s < _LEAST_S:
        time = "light" if order.kind == "day" else "dark"
        notes.append(f"There is no time left: it is {time} for {dark.hours:.2f} h.")
        return Window(dark, None, looks_from, 0.0, tuple(notes))
    if budget_s < order.hours * 3600.0:
        light = "daylight" if order.kind == "day" else "darkness"
        notes.append(
            f"{order.hours:g} h were asked for; cut to the {budget_s / 3600:.2f} h of "
            f"{light} that there are."
        )
    return Window(dark, begins, looks_from, budget_s, tuple(notes))


def _asked(
    place: Place, order: Order, dark: Darkness, starts: str
) -> tuple[int, list[str]]:
    """Return when crews may set out: at the hour asked for, if that is inside."""
    first, last = dark.begins or 0, dark.ends or 0
    if not starts:
        return first, []
    clock = place.clock
    day = order.night
    text = f"{day.isoformat()}T{starts}"
    try:
        at = clock.instant(text)
        if order.kind == "night" and clock.at(at).hour < 12:
            text = f"{(day + timedelta(days=1)).isoformat()}T{starts}"
            at = clock.instant(text)
    except NotUnderstood as error:
        raise NotUnderstood(f"start {starts!r} {error} (expected HH:MM)") from None
    said = []
    if clock.is_odd(text):
        said.append(
            f"{starts} is skipped or repeated by a clock change that night; its first "
            "meaning is taken."
        )
    if not first <= at < last:
        if order.starts:
            when = clock.at(first).strftime("%H:%M")
            said.append(f"Start {starts} is not inside the time for it; set to {when}.")
        return first, said
    return at, said


def _endless(order: Order) -> str:
    if order.kind == "day":
        return "The sun does not set that day."
    return "Polar night: it is dark from noon to noon."


def _none(place: Place, order: Order, dark: Darkness) -> str:
    """Say that there is no darkness (daylight), and what there is instead."""
    if order.kind == "day":
        return (
            "The sun does not rise that day (at its highest "
            f"{dark.extreme_deg:.1f} deg): no day patrol."
        )
    said = (
        "It does not get dark that night: the sun stays above 6 deg under the horizon "
        f"(at its lowest {dark.extreme_deg:.1f} deg), so there is no patrol."
    )
    between = darkness(place, order.night, HORIZON_DEG)
    if between.begins is None or between.ends is None:
        return f"{said} It does not set at all."
    times = " to ".join(
        place.clock.at(at).strftime("%H:%M") for at in (between.begins, between.ends)
    )
    return f"{said} From sunset to sunrise, {times}, is the dimmest there is."
