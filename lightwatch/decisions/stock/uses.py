"""What left the shelf, and the parts that hang: the records behind a forecast.

Every part that a repair fitted left the shelf, whether or not the part it replaced had
been the fault. A programme's parts are ordered for the programme and kept apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.stock.shelf import Served, Shelf
from lightwatch.lives.exposure import Floats, month_of
from lightwatch.nights import LocalTime
from lightwatch.register import Register
from lightwatch.store.frames import filled
from lightwatch.words import resources

PROGRAMME = "programme"
"""Cause of a repair that belongs to a planned change."""

KINDS = next(
    field.allowed or frozenset()
    for field in resources()["components"].fields
    if field.name == "kind"
)
"""Kinds of component."""

_PARTS_OF_A_YEAR = 4
"""A life installed in a year, day unknown, counts as this many parts of one."""


def local_months(clock: LocalTime, instants: Any) -> Floats:
    """Return local calendar time in months since January 1970, with decimals."""
    at = np.asarray(instants, dtype=float)
    known = np.isfinite(at)
    safe = np.where(known, at, 0).astype("int64").view("datetime64[us]")
    local = pd.DatetimeIndex(safe).tz_localize("UTC").tz_convert(clock.zone)
    wall = local.tz_localize(None).to_numpy().view("int64")
    return np.where(known, month_of(wall), np.nan)


@dataclass(frozen=True)
class Uses:
    """Parts fitted and the lives of those that hung.

    Parameters
    ----------
    fitted
        One row a part fitted by a repair: ``repair`` (position), ``model`` ('' if not
        on record), ``kind``, ``depot``, ``month`` (local, with decimals),
        ``programme``, ``renewed`` (a part of its kind came off for it), ``removed``
        (model that came off), ``removed_type``, ``volts_class``.
    lives
        One row a component under watch: ``kind``, ``type``, ``model``, ``depot``,
        ``volts_class``, ``born_low``, ``born_high``, ``start``, ``end`` (local months;
        births NaN where unknown), ``used`` (its end took a part from the shelf),
        ``standing``, ``programme`` (it ended, or began, so), ``entered`` (it began as
        an addition), ``light_id``, ``circuit_id``, ``seen_to_end`` (its end, if any,
        lies before the records of repairs end).
    first_month, watched_month, as_of_month
        When the register was opened, until when repairs are on record, and when the
        forecast is made (local months).
    """

    fitted: pd.DataFrame
    lives: pd.DataFrame
    first_month: int
    as_of_month: float
    watched_month: float

    @property
    def kinds(self) -> list[str]:
        """Kinds of which a model has left the shelf."""
        return sorted(set(self.fitted.loc[self.fitted["model"] != "", "kind"]) - {""})


def _exploded(register: Register, shelf: Shelf) -> pd.DataFrame:
    """Return a row for each part that each repair fitted."""
    repairs = register.known.repairs
    component = repairs["component"].where(repairs["component"] != "", repairs["cause"])
    done = repairs["action"].isin(("replaced", "converted", "repaired"))
    named = repairs["fitted_model"] != ""
    chosen = repairs[done & (named | (repairs["action"] == "replaced"))]
    work = pd.DataFrame(
        {"text": chosen["fitted_model"], "kind": component[chosen.index]}
    )
    like = work.groupby(["text", "kind"], sort=False).ngroup().to_numpy()
    rows = []
    for number, (text, kind) in enumerate(work.drop_duplicates().to_numpy()):
        for model in map(str.strip, text.split("+")):
            part = shelf.parts.get(model)
            of_kind = kind if kind in KINDS else "unknown"
            rows.append((number, model, part.kind if part else of_kind))
    parts = pd.DataFrame(rows, columns=["like", "model", "kind"])
    repair = pd.DataFrame({"repair": chosen.index, "like": like})
    return repair.merge(parts, on="like").drop(columns="like")


def volts_classes(register: Register, shelf: Shelf) -> pd.DataFrame:
    """Say, by kind and circuit, which models may hang there.

    Returns
    -------
    pandas.DataFrame
        Circuits by kinds; each cell the models whose rated voltage covers that of the
        circuit, joined by ``|``. A voltage that is not on record excludes nothing.
    """
    circuits = register.known.circuits
    models = register.known.models
    volts = circuits["voltage"].to_numpy(float)[:, None]
    low = np.nan_to_num(models["volts_min"].to_numpy(float), nan=-np.inf)
    high = np.nan_to_num(models["volts_max"].to_numpy(float), nan=np.inf)
    fits = np.isnan(volts) | ((low <= volts) & (volts <= high))
    made = {}
    for kind in sorted(set(models["kind"])):
        of_kind = (models["kind"] == kind).to_numpy()
        names = models.loc[of_kind, "model"].to_numpy(object)
        made[kind] = ["|".join(names[row]) for row in fits[:, of_kind]]
    return pd.DataFrame(made, index=circuits["circuit_id"])


def _classes(
    frame: pd.DataFrame, register: Register, shelf: Shelf
) -> NDArray[np.object_]:
    lights = register.known.lights
    circuit_of = dict(zip(lights["light_id"], lights["circuit_id"], strict=True))
    own = frame["light_id"].map(circuit_of)
    circuit = frame["circuit_id"].where(frame["circuit_id"] != "", own)
    table = volts_classes(register, shelf)
    row = table.index.get_indexer(pd.Index(circuit))
    column = table.columns.get_indexer(pd.Index(frame["kind"]))
    cells = np.pad(table.to_numpy(object), (0, 1), constant_values="")
    found: NDArray[np.object_] = cells[row, column]
    return found


def _lives(register: Register, served: Served, kind: str) -> pd.DataFrame:
    """Return the components under watch at lights that are ours."""
    known, shelf = register.known, served.shelf
    until = float(register.watched_until)
    theirs = known.lights.loc[known.lights["maintained_by"] != "", "light_id"]
    frame = register.fittings_of(kind) if kind else register.fittings
    frame = frame[~frame["light_id"].isin(set(theirs))].reset_index(drop=True)
    clock, watched = known.clock, np.fmax(until, frame["start"])
    types = {model: part.type for model, part in shelf.parts.items()}
    cause = known.repairs["cause"]
    ended = filled(cause.reindex(frame["end_repair"]), "").to_numpy()
    begun = filled(cause.reindex(frame["start_repair"]), "").to_numpy()
    return pd.DataFrame(
        {
            "light_id": frame["light_id"],
            "circuit_id": frame["circuit_id"],
            "kind": frame["kind"],
            "model": frame["model"],
            "type": filled(frame["model"].map(types), "unknown"),
            "depot": served.depots(frame["light_id"], frame["circuit_id"]),
            "volts_class": _classes(frame, register, shelf),
            "born_low": local_months(clock, frame["installed"]),
            "born_high": local_months(clock, frame["installed_last"]),
            "start": local_months(clock, frame["start"]),
            "end": local_months(clock, np.minimum(frame["end"], watched)),
            "seen_to_end": frame["end"] <= until,
            "start_repair": frame["start_repair"],
            "end_repair": frame["end_repair"],
            "ended_by_programme": ended == PROGRAMME,
            "begun_by_programme": begun == PROGRAMME,
            "standing": (frame["end_repair"] < 0) & ~frame["gone"].astype(bool),
        }
    )


def _matched(fitted: pd.DataFrame, lives: pd.DataFrame) -> pd.DataFrame:
    """Say of each part fitted what came off for it, if its kind did."""
    ended = lives[lives["end_repair"] >= 0].drop_duplicates(["end_repair", "kind"])
    off = ended.set_index(["end_repair", "kind"])
    where = pd.MultiIndex.from_frame(fitted[["repair", "kind"]])
    found = off[["model", "type", "volts_class"]].reindex(where)
    return fitted.assign(
        renewed=found["volts_class"].notna().to_numpy(),
        removed=filled(found["model"], "").to_numpy(),
        removed_type=filled(found["type"], "unknown").to_numpy(),
        volts_class=filled(found["volts_class"], "").to_numpy(),
    )


def _pairs(
    repair: pd.Series[int], kind: pd.Series[str], kinds: pd.Index[str]
) -> NDArray[np.int64]:
    """Return one number for a repair and a kind."""
    code = kinds.get_indexer(pd.Index(kind))
    return np.asarray(repair.to_numpy(int) * len(kinds) + code, dtype=np.int64)


def uses(register: Register, served: Served, kind: str = "") -> Uses:
    """Read what left the shelf and what hangs, as known on the register's day.

    Parameters
    ----------
    register
        What stands, and stood.
    served
        Which depot serves it.
    kind
        The one kind asked for; '': all.
    """
    known = register.known
    lives = _lives(register, served, kind)
    fitted = _exploded(register, served.shelf)
    if kind:
        fitted = fitted[fitted["kind"] == kind]
    source = known.repairs.loc[fitted["repair"]].reset_index(drop=True)
    fitted = fitted.reset_index(drop=True).assign(
        depot=served.depots(source["light_id"], source["circuit_id"]),
        month=local_months(known.clock, source["happened"]),
        programme=(source["cause"] == PROGRAMME).to_numpy(),
    )
    fitted = _matched(fitted, lives)
    renewals = fitted[fitted["renewed"]]
    kinds = pd.Index(sorted({*renewals["kind"], *lives["kind"]}))
    took = _pairs(renewals["repair"], renewals["kind"], kinds)
    used = np.isin(_pairs(lives["end_repair"], lives["kind"], kinds), took)
    instead = np.isin(_pairs(lives["start_repair"], lives["kind"], kinds), took)
    days = [known.opened, known.as_of, register.watched_until]
    opened, now, watched = local_months(known.clock, days).tolist()
    lives = lives.assign(
        used=used & ~lives["ended_by_programme"] & lives["seen_to_end"],
        entered=~instead | lives["begun_by_programme"],
    )
    return Uses(fitted, lives, int(opened + 0.01), now, watched)


def spread_births(lives: pd.DataFrame) -> pd.DataFrame:
    """Return lives with one ``born`` and a ``share``; a mere year is spread over."""
    wide = (lives["born_high"] - lives["born_low"]) > 6.0
    parts = [lives[~wide].assign(share=1.0, at=0.5)]
    for i in range(_PARTS_OF_A_YEAR):
        part = (i + 0.5) / _PARTS_OF_A_YEAR
        parts.append(lives[wide].assign(share=1.0 / _PARTS_OF_A_YEAR, at=part))
    frame = pd.concat([part for part in parts if len(part)] or parts[:1])
    born = frame["born_low"] + frame["at"] * (frame["born_high"] - frame["born_low"])
    return frame.assign(born=np.minimum(born, frame["start"]))
