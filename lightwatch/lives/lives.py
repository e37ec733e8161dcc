"""One row per component life, with the time under watch and how it ended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.held import unheld
from lightwatch.kept import Folder, keeping, once
from lightwatch.register.feeds import kind_of_feed
from lightwatch.register.fittings import installed_between
from lightwatch.register.recorded import recorded
from lightwatch.register.register import Register
from lightwatch.words import SUPPLY

COLUMNS = (
    "light_id", "circuit_id", "section_id", "kind", "type", "model", "maker",
    "installed", "installed_last", "start", "end", "end_repair", "failed", "weight",
)  # fmt: skip


@dataclass(frozen=True)
class Lives:
    """Life data; checked at birth.

    ``frame`` has the columns of ``COLUMNS``: ``start`` and ``end`` [instants] bound
    the time under watch; ``failed`` says that it ended by the component's own failure;
    ``weight`` is 1 for a unit and the length of a section [km], times ``recorded``, the
    share of its failures that is on record (without that column, all); ``end_repair``
    is the position in ``known.repairs`` of the repair that ended it, -1 where none did.
    Watch ends where the records of repairs do, at ``register.watched_until``.
    """

    frame: pd.DataFrame
    register: Register

    @property
    def kept(self) -> Folder | None:
        """What was worked out before of the same lives, if anything was."""
        folder = self.register.kept
        return folder if folder and lives(self.register) is self else None

    def __post_init__(self) -> None:
        missing = set(COLUMNS) - set(self.frame.columns)
        if missing:
            raise ValueError(f"lives lack the columns {sorted(missing)}")
        if (self.frame["end"] < self.frame["start"]).any():
            raise ValueError("a life ends before it starts")


def _catalogue(register: Register, frame: pd.DataFrame) -> pd.DataFrame:
    models = register.known.models.set_index("model")
    for column in ("type", "maker"):
        found = frame["model"].map(models[column])
        frame[column] = found.where(found.notna() & (found != ""), "unknown")
    return frame


def _component_lives(register: Register) -> pd.DataFrame:
    frame = register.fittings.copy(deep=False)
    repairs = register.known.repairs
    ended = frame["end_repair"] >= 0
    cause = repairs["cause"].reindex(frame["end_repair"]).to_numpy()
    held = ~frame["end_repair"].isin(unheld(register))
    frame["failed"] = ended & (cause == frame["kind"].to_numpy()) & held
    frame["section_id"] = ""
    frame["weight"] = frame["recorded"] = _recorded(register, frame)
    return _catalogue(register, frame)[[*COLUMNS, "recorded"]]


def _recorded(register: Register, frame: pd.DataFrame) -> NDArray[np.float64]:
    """Return of each life at a light the share of its failures that is on record."""
    known = recorded(register)
    share = frame["kind"].map({kind: one.recorded for kind, one in known.of.items()})
    share = share.where(frame["light_id"] != "").fillna(1.0)
    start, end = (frame[name].to_numpy(float) for name in ("start", "end"))
    return np.asarray(share.to_numpy(float) * known.on_time(start, end))


def _feed_faults(register: Register) -> pd.DataFrame:
    """Return faults of sections mended, one per fault.

    A section worked on again is a second fault only if the first work was the last:
    a temporary feed is followed by the work that ends the same fault.
    """
    known = register.known
    causes = {cause: kind for kind, cause in SUPPLY.items()}
    causes.update({kind: kind for kind in SUPPLY})
    repairs = known.repairs
    chosen = repairs[
        repairs["cause"].isin(list(causes))
        & repairs["action"].isin(("repaired", "replaced"))
        & (repairs["section_id"] != "")
    ].sort_values(["section_id", "happened"], kind="stable")
    temporary = chosen["temporary_feed_until"] != ""
    same = chosen["section_id"] == chosen["section_id"].shift()
    follows = same & temporary.shift(fill_value=False).astype(bool)
    return chosen[~follows]


def _feed_lives(register: Register) -> pd.DataFrame:
    """Return lives of sections: each fault ends one and, mended, begins the next.

    Feeds that others own are left out: their faults are not in our records.
    """
    known = register.known
    ours = known.circuits.loc[known.circuits["owner"] == "", "circuit_id"]
    sections = known.sections[
        (known.sections["length_m"] > 0) & known.sections["circuit_id"].isin(set(ours))
    ]
    first, last = installed_between(sections["installed_on"], known.clock)
    start = np.fmax(first, known.opened)
    base = pd.DataFrame(
        {
            "section_id": sections["section_id"],
            "circuit_id": sections["circuit_id"],
            "kind": sections["kind"].map(kind_of_feed),
            "type": sections["kind"].where(sections["kind"] != "", "unknown"),
            "installed": first,
            "installed_last": last,
            "start": start,
            "weight": sections["length_m"] / 1000.0,
        }
    )
    faults = _feed_faults(register)
    events = pd.DataFrame(
        {
            "section_id": faults["section_id"],
            "start": faults["happened"].astype(float),
        }
    )
    same = [c for c in base.columns if c not in ("section_id", "start")]
    events = events.merge(base[["section_id", *same]], on="section_id")
    both = pd.concat([base, events[base.columns]], ignore_index=True)
    both = both.sort_values(["section_id", "start"], kind="stable")
    after = both.groupby("section_id", sort=False)["start"].shift(-1)
    both["end"] = after.fillna(float(known.as_of))
    both["failed"] = after.notna()
    both = both[both["start"] < both["end"]]
    both = both.assign(light_id="", model="", maker="unknown", end_repair=-1)
    return both.assign(recorded=1.0)[[*COLUMNS, "recorded"]]


@once
def all_lives(register: Register) -> pd.DataFrame:
    """Return the life of every component and section up to the register's own day.

    The columns are those of ``COLUMNS``. After ``register.watched_until`` nobody knows
    what failed: what is in place now is here, and rates are of :func:`lives`.
    """
    parts = [_component_lives(register), _feed_lives(register)]
    parts = [part for part in parts if len(part)] or parts[:1]
    return pd.concat(parts, ignore_index=True)


@keeping
def lives(register: Register) -> Lives:
    """Return the life of every component and supply section under watch.

    A life ends by failure only if the repair that ended it names the component's own
    kind as its cause, and held; a part that had not failed, a programme, a knock-down,
    theft or vandalism ends a life by removal. Where the records of repairs end, watch
    does.
    """
    frame = all_lives(register)
    until = float(register.watched_until)
    if until < register.as_of:
        frame = frame[frame["start"] < until].reset_index(drop=True)
        later = frame["end"] > until
        frame = frame.assign(
            end=frame["end"].clip(upper=until),
            failed=frame["failed"] & ~later,
            end_repair=frame["end_repair"].where(~later, -1),
        )
    return Lives(frame, register)
