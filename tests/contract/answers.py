"""What a store answers as of a time, as the very text that the commands print."""

from __future__ import annotations

import json

from lightwatch.decisions.repeats import Repeats
from lightwatch.decisions.triage import outages
from lightwatch.lives import lives
from lightwatch.observations.known import Known
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.store import Store
from reports.answers import rates_document
from reports.outages import outages_document
from reports.repeats import repeats_document

BY = (
    ("kind", "type"),
    ("technology", "feed", "control"),
    ("kind", "model", "maker"),
    ("vintage",),
    ("kind", "age"),
    ("station", "road_class"),
    ("circuit",),
)
"""Every column that rates may be asked by."""


def answers(store: Store, as_of: int) -> dict[str, str]:
    """Answer rates by everything, outages and repeats, as of an instant."""
    known = Known(store, as_of)
    lived = lives(Register(known))
    written = known.clock.written(as_of)
    said = {
        f"rates by {','.join(by)}": rates_document(written, rates(lived, by))
        for by in BY
    }
    said["outages"] = outages_document(written, outages(lived))
    said["repeats"] = repeats_document(written, Repeats(lived))
    return {name: json.dumps(document, indent=1) for name, document in said.items()}
