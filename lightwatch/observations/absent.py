"""What a register goes without: files that are not there, and what that costs.

Circuits that lights, sections or components name are made where no file lists them.
"""

from __future__ import annotations

from collections.abc import Sequence

from lightwatch.observations.batch import Batch
from lightwatch.observations.keeping import Intake

WITHOUT = {
    "models": "types and makers of parts are unknown, and no orders can be advised",
    "circuits": "a fault that several lights share is told only by the circuits that "
    "lights name",
    "sections": "no section can be named as the faulty one",
    "roads": "no patrol can be planned",
    "components": "rates and lives know only parts that repairs fitted",
    "reports": "nothing is open but what patrols saw",
    "repairs": "no failure is known: no rates, no lives, no demand for parts",
    "patrols": "no light counts as seen lit, and how soon an outage is noticed rests "
    "on reports alone",
    "weather": "lives do not depend on the weather",
    "stock": "what is on the shelf is unknown, so no orders",
}
"""Resource to what is not answered, or less well, with nothing of it on record."""

_NAMING = {"sections", "lights", "components"}
"""Resources whose circuits the database insists on."""


def make_circuits(intake: Intake, batch: Batch) -> None:
    """Put the circuits that a batch names on record, if the package lists none.

    Their feed is that of their lights; mixed where these differ.
    """
    if batch.resource.name not in _NAMING or intake.package.has("circuits"):
        return
    known, bad = intake.context.keys["circuits"], batch.bad
    feeds: dict[str, set[str]] = {}
    pairs = zip(batch.column("circuit_id"), batch.column("feed"), strict=True)
    for i, (name, feed) in enumerate(pairs):
        if name and name not in known and i not in bad:
            feeds.setdefault(name, set()).add(feed)
    if not feeds:
        return
    names = list(feeds)
    told = [sorted(feeds[name] - {""}) for name in names]
    fed = ["mixed" if len(one) > 1 else next(iter(one), None) for one in told]
    columns: dict[str, Sequence[str | None]] = {
        "key": names,
        "circuit_id": names,
        "feed": fed,
    }
    loads = {"load_id": [intake.load_id] * len(names)}
    intake.writer.header("circuits", ["circuit_id", "feed"])
    intake.writer.insert("circuits", {**columns, **loads})
    known.update(names)
    intake.context.absent.discard("circuits")
    intake.outcome.circuits_made += len(names)
