"""Channels: the ways in which a trouble shows, each judged by itself.

A dark light may be its own trouble or its feed's. A light that burns by day, cycles or
is dim has supply: it is its own trouble, or that of the control of its group.
"""

from __future__ import annotations

from dataclasses import dataclass

from lightwatch.words import DARK, resources


@dataclass(frozen=True)
class Channel:
    """Symptoms that are judged together.

    ``patrol`` is the kind of patrol that sees them; ``by_feed`` says that a fault on
    the feed shows so, too.
    """

    symptoms: tuple[str, ...]
    patrol: str = "night"
    by_feed: bool = False


DARKNESS = Channel(DARK, by_feed=True)


def _all() -> tuple[Channel, ...]:
    fields = {field.name: field for field in resources()["reports"].fields}
    others = sorted((fields["symptom"].allowed or frozenset()) - set(DARK))
    by_day = {"dayburning": "day"}
    rest = (Channel((name,), by_day.get(name, "night")) for name in others)
    return (DARKNESS, *rest)


CHANNELS = _all()
"""Every symptom of the exchange format is in one of them."""
