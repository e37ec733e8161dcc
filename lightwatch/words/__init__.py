"""The words of the trade, read from the exchange format's own descriptor.

``datapackage.json`` beside this file is a Frictionless Data Package [1]_. It names
every file, column, type, unit, key and allowed value once; the store's tables, the
rules of intake and the export are all read from it.

References
----------
.. [1] Data Package and Table Schema, specs.frictionlessdata.io.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

SHARED_LIFE = ("lamp", "ballast", "ignitor", "driver", "led_module")
"""Kinds whose lives a conversion of the light ends."""

PER_LIGHT = ("wiring",)
"""Kinds of which every light has one, whether or not a row says so."""

SUPPLY = {"cable": "cable_fault", "line": "line_fault"}
"""Kinds of supply section, with the cause that a crew gives when one has failed."""

DARK = ("out", "group_out")
"""Symptoms of a light without supply or without light."""

LIVE, DEAD, SHUT = "tested_live", "tested_dead", "could_not_open"
"""Actions that are a test of voltage, whether or not its volts were read; the last
could not be made."""

LIVE_VOLTS = 50.0
"""A reading below this is a dead feed; usual limit of extra-low voltage (IEC 61140,
from memory)."""

UNANSWERED = ("made_safe", "follow_up", LIVE, DEAD, SHUT)
"""Actions that leave the trouble open."""


@dataclass(frozen=True)
class Field:
    """One column of the exchange format."""

    name: str
    type: str
    required: bool
    allowed: frozenset[str] | None
    minimum: float | None
    maximum: float | None


@dataclass(frozen=True)
class Resource:
    """One file of the exchange format."""

    name: str
    path: str
    required: bool
    fields: tuple[Field, ...]
    key: tuple[str, ...]
    references: dict[str, str]
    """Column to the resource in whose key it must be found."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the known columns, in the format's order."""
        return tuple(field.name for field in self.fields)


def descriptor() -> dict[str, Any]:
    """Return a fresh copy of the exchange format's descriptor."""
    text = files(__name__).joinpath("datapackage.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def _field(row: dict[str, Any]) -> Field:
    constraints = row.get("constraints", {})
    allowed = constraints.get("enum")
    return Field(
        name=row["name"],
        type=row["type"],
        required=bool(constraints.get("required")),
        allowed=None if allowed is None else frozenset(allowed) - {""},
        minimum=constraints.get("minimum"),
        maximum=constraints.get("maximum"),
    )


def _names(key: str | list[str] | None) -> tuple[str, ...]:
    return (key,) if isinstance(key, str) else tuple(key or ())


@cache
def resources() -> dict[str, Resource]:
    """Return the files of the exchange format by name, roads included."""
    found = {}
    for row in descriptor()["resources"]:
        schema = row.get("schema", {})
        found[row["name"]] = Resource(
            name=row["name"],
            path=row["path"],
            required=bool(row.get("lightwatch:required")),
            fields=tuple(_field(field) for field in schema.get("fields", ())),
            key=_names(schema.get("primaryKey")),
            references={
                _names(key["fields"])[0]: key["reference"]["resource"]
                for key in schema.get("foreignKeys", ())
            },
        )
    return found
