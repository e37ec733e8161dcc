"""What is on record: of each kind of record how many, the first and the last."""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lightwatch.kept import keeping

if TYPE_CHECKING:
    import pandas as pd

    from lightwatch.observations.known import Known
    from lightwatch.register.register import Register

DATED = ("reports", "repairs", "patrols", "sightings", "weather")
UNDATED = (
    "lights",
    "components",
    "models",
    "circuits",
    "sections",
    "stations",
    "roads",
)


@dataclass(frozen=True)
class OnRecord:
    """Records of one kind.

    Parameters
    ----------
    kind
        The file that they came in: reports, repairs, lights, ...
    count
        How many; of patrols, how many drives, and not how many roads.
    first, last
        When the first and the last happened [instants]; None where none is on record,
        and of kinds that are not dated.
    """

    kind: str
    count: int
    first: int | None = None
    last: int | None = None

    def __bool__(self) -> bool:
        """Tell whether there is any."""
        return self.count > 0


@keeping
def on_record(register: Register) -> Mapping[str, OnRecord]:
    """Return what is on record as of the register's day, by kind of record."""
    known = register.known
    found = {name: OnRecord(name, len(_rows(known, name))) for name in UNDATED}
    for name in DATED:
        found[name] = _dated(name, getattr(known, name))
    return found


def _rows(known: Known, name: str) -> Sized:
    """Return the rows of a kind; roads without their geometry, which nobody reads."""
    rows: Sized = known.road_class if name == "roads" else getattr(known, name)
    return rows


def _dated(kind: str, frame: pd.DataFrame) -> OnRecord:
    if frame.empty:
        return OnRecord(kind, 0)
    count = frame["patrol_id"].nunique() if kind == "patrols" else len(frame)
    happened = frame["happened"]
    return OnRecord(kind, count, int(happened.min()), int(happened.max()))
