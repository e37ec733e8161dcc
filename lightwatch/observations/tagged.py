"""Lights named by what stands on the pole instead of their number in the register."""

from __future__ import annotations

import json
from collections.abc import Mapping

from lightwatch.observations.keeping import Intake
from lightwatch.observations.tables import Rows
from lightwatch.store import Writer

NEW_NUMBER = "new number"
"""Further column of a light that the exports now know by another number."""

NAMING = {"components", "reports", "repairs", "sightings"}
"""Files whose ``light_id`` may be any tag of a light."""


def numbers_since(writer: Writer) -> dict[str, str]:
    """Return the new numbers of lights on record, each to the light's own."""
    return new_numbers(writer.column("lights", "extra"))


def new_numbers(extra: Mapping[str, str | None]) -> dict[str, str]:
    """Return new numbers to lights, given the further columns of these."""
    found = {
        light: json.loads(text).get(NEW_NUMBER)
        for light, text in extra.items()
        if text and NEW_NUMBER in text
    }
    return {number: light for light, number in found.items() if number}


def _tags(intake: Intake) -> dict[str, list[str]]:
    """Return the lights that hang on each pole."""
    context = intake.context
    if context.tags is None:
        context.tags = {}
        for light, pole in intake.writer.column("lights", "pole_id").items():
            if pole:
                context.tags.setdefault(pole.casefold(), []).append(light)
    return context.tags


def name_by_tag(intake: Intake, resource: str, rows: Rows) -> dict[int, str]:
    """Name lights by their own number where rows name them by a new one or a pole's.

    Returns
    -------
    dict
        Row to what is odd: a pole that carries several lights is left as it is.
    """
    context, values = intake.context, rows.columns.get("light_id", [])
    gone = context.rejected.get("lights", set())
    lost = set(values) - context.keys["lights"] - gone - {""}
    lost |= context.renumbered.keys() & set(values)
    if not lost:
        return {}
    found: dict[str, list[str]] = {}
    for text in lost:
        light = context.renumbered.get(text)
        found[text] = [light] if light else _tags(intake).get(text.casefold(), [])
    odd = {}
    for i, text in enumerate(values):
        lights = found.get(text, ())
        if len(lights) == 1:
            rows.put("light_id", i, lights[0], text)
            intake.outcome.tagged[resource] += 1
        elif lights:
            odd[i] = f"light_id {text} is a pole of {', '.join(lights)}: not guessed"
    return odd
