"""Fittings: each component in its place, from the day it was fitted to its end.

They are derived from the rows fitted when the register was opened and from the repairs
since. A conversion, or a new luminaire, ends the light's lamp, ballast, ignitor,
driver and module and starts what it names; photocontrol, fuse and wiring go on.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime, read_partial_date
from lightwatch.observations.known import Known
from lightwatch.words import PER_LIGHT, SHARED_LIFE

_KINDS_OF_A_LUMINAIRE = (*SHARED_LIFE, "luminaire")

_EVENT = [
    "light_id", "circuit_id", "kind", "slot", "at", "starts", "model", "installed",
    "installed_last", "repair",
]  # fmt: skip


def installed_between(
    values: pd.Series[Any], clock: LocalTime
) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return the first and last instant at which a date so written may have been."""
    first, last = {}, {}
    for text in set(values):
        try:
            days = read_partial_date(text)
        except NotUnderstood:
            continue
        first[text], last[text] = (float(clock.midnight(day)) for day in days)
    return values.map(first).astype(float), values.map(last).astype(float)


def _fitted_at_first(known: Known) -> pd.DataFrame:
    frame = known.components
    lights = known.lights.set_index("light_id")
    entered = frame["light_id"].map(lights["entered"]).astype(float)
    at = entered.fillna(known.opened).clip(lower=known.opened)
    first, last = installed_between(frame["installed_on"], known.clock)
    own = frame["light_id"] != ""
    return pd.DataFrame(
        {
            "light_id": frame["light_id"],
            "circuit_id": frame["circuit_id"].where(~own, ""),
            "kind": frame["kind"],
            "slot": 0,
            "at": np.fmax(at, first),
            "starts": True,
            "model": frame["model"],
            "installed": first,
            "installed_last": last,
            "repair": -1,
        },
        columns=_EVENT,
    )


def _one_per_light(known: Known, fitted: pd.DataFrame) -> pd.DataFrame:
    """Return the wiring (and the like) that every light has, row or no row.

    Lights that others maintain are left out: their failures are not in our records.
    """
    frames = []
    ours = known.lights[known.lights["maintained_by"] == ""]
    for kind in PER_LIGHT:
        has = set(fitted.loc[fitted["kind"] == kind, "light_id"])
        lights = ours[~ours["light_id"].isin(has)]
        frames.append(
            pd.DataFrame(
                {
                    "light_id": lights["light_id"],
                    "circuit_id": "",
                    "kind": kind,
                    "slot": 0,
                    "at": lights["entered"]
                    .astype(float)
                    .fillna(known.opened)
                    .clip(lower=known.opened),
                    "starts": True,
                    "model": "",
                    "installed": lights["entered"].astype(float),
                    "installed_last": lights["entered"].astype(float),
                    "repair": -1,
                },
                columns=_EVENT,
            )
        )
    return pd.concat(frames, ignore_index=True)


def worked_on(repairs: pd.DataFrame) -> pd.Series[Any]:
    """Return the kind of component that each repair worked on."""
    return repairs["component"].where(repairs["component"] != "", repairs["cause"])


def is_new_luminaire(repairs: pd.DataFrame) -> pd.Series[Any]:
    """Tell which repairs put up another luminaire."""
    whole = (repairs["action"] == "replaced") & (worked_on(repairs) == "luminaire")
    return (repairs["action"] == "converted") | whole


def _ends_and_starts(repairs: pd.DataFrame, kinds: dict[str, str]) -> pd.DataFrame:
    """Return what each repair ended and started, a row for each kind."""
    work = pd.DataFrame(
        {
            "kind": worked_on(repairs),
            "action": repairs["action"],
            "fitted": repairs["fitted_model"],
            "whole": is_new_luminaire(repairs),
        }
    )
    like = work.groupby(list(work.columns), sort=False).ngroup().to_numpy()
    rows = [
        (number, *row)
        for number, one in enumerate(work.drop_duplicates().itertuples(index=False))
        for row in _done(kinds, *one)
    ]
    done = pd.DataFrame(rows, columns=["like", "kind", "starts", "model"])
    events = pd.DataFrame({"repair": repairs.index, "like": like})
    return events.merge(done, on="like").drop(columns="like")


def _done(
    kinds: dict[str, str], kind: str, action: str, fitted: str, whole: bool
) -> list[tuple[str, bool, str]]:
    """Return what such a repair ends: the kind, whether one starts, its model."""
    models = {
        kinds[m.strip()]: m.strip() for m in fitted.split("+") if m.strip() in kinds
    }
    if whole:
        both = dict.fromkeys((*_KINDS_OF_A_LUMINAIRE, *models))
        return [(one, one in models, models.get(one, "")) for one in both]
    if action == "removed":
        return [(kind, False, "")]
    started = models if kind in models else {kind: fitted, **models}
    return [(one, True, model) for one, model in started.items()]


def _fitted_since(known: Known) -> pd.DataFrame:
    repairs = known.repairs
    renewed = (repairs["action"] == "repaired") & worked_on(repairs).isin(PER_LIGHT)
    fits = repairs["action"].isin(("replaced", "converted", "removed")) | renewed
    by_light = repairs["light_id"] != ""
    group = ~by_light & ~repairs["named"] & (repairs["circuit_id"] != "")
    group &= worked_on(repairs) == "photocontrol"
    chosen = repairs[fits & (by_light | group)]
    kinds = dict(zip(known.models["model"], known.models["kind"], strict=True))
    events = _ends_and_starts(chosen, kinds)
    source = chosen.loc[events["repair"]].reset_index(drop=True)
    events["light_id"] = source["light_id"]
    events["circuit_id"] = source["circuit_id"].where(source["light_id"] == "", "")
    events["at"] = source["happened"].astype(float)
    events["slot"] = 0
    events["installed"] = events["installed_last"] = events["at"]
    return events[_EVENT]


def _holders(events: pd.DataFrame, known: Known) -> pd.DataFrame:
    """Give a photocontrol logged at a light that has none to its circuit's group."""
    controls = events[events["kind"] == "photocontrol"]
    first = controls[controls["repair"] < 0]
    alone = controls[
        (controls["light_id"] != "") & ~controls["light_id"].isin(first["light_id"])
    ]
    circuits = known.lights.set_index("light_id")["circuit_id"]
    circuit = alone["light_id"].map(circuits)
    group = circuit[circuit.isin(set(first["circuit_id"]) - {""})]
    events.loc[group.index, "light_id"] = ""
    events.loc[group.index, "circuit_id"] = group
    return events


def _slots(events: pd.DataFrame, repairs: pd.DataFrame) -> pd.DataFrame:
    """Say which of several components of a kind a repair replaced.

    It is the one whose model or date code the crew read, else the one longest there.
    """
    holder = ["light_id", "circuit_id", "kind"]
    first = events["repair"] < 0
    events = events.assign(slot=events[first].groupby(holder).cumcount())
    many = events[first & (events["slot"] > 0)].set_index(holder).index.unique()
    events["slot"] = events["slot"].fillna(0).astype(int)
    if not len(many):
        return events
    chosen = events.set_index(holder).index.isin(many)
    for _, some in events[chosen].groupby(holder, sort=False):
        _choose_slots(events, some.sort_values(["at", "repair"]), repairs)
    return events


def _choose_slots(
    events: pd.DataFrame, some: pd.DataFrame, repairs: pd.DataFrame
) -> None:
    there: dict[int, tuple[str, float]] = {}
    for row in some.itertuples():
        if row.repair >= 0 and there:
            read = str(repairs.at[row.repair, "removed_model"])
            fits = [s for s, (model, _) in there.items() if read and model == read]
            slot = min(fits or list(there), key=lambda s: there[s][1])
            events.at[row.Index, "slot"] = slot
        else:
            slot = int(row.slot)
        there[slot] = (str(row.model), float(row.at))


def fittings(known: Known) -> pd.DataFrame:
    """Return every component in its place, one row from fitting to end.

    Returns
    -------
    pandas.DataFrame
        ``light_id`` or ``circuit_id`` (a group photocontrol); ``kind``; ``model``;
        ``installed``, ``installed_last`` [instants; NaN where unknown]; ``start``,
        ``end`` [instants] of its time under watch; ``start_repair``, ``end_repair``
        (position in ``known.repairs``, -1: none); ``gone``, True if it ended because
        the light went out of service.
    """
    at_first = _fitted_at_first(known)
    events = pd.concat(
        [at_first, _one_per_light(known, at_first), _fitted_since(known)],
        ignore_index=True,
    )
    events = _slots(_holders(events, known), known.repairs)
    lights = known.lights.set_index("light_id")
    begun = events["light_id"].map(lights["entered"]).astype(float)
    events = events[
        (events["repair"] < 0) | (events["at"] >= begun.fillna(known.opened))
    ]
    slot = ["light_id", "circuit_id", "kind", "slot"]
    events = events.sort_values([*slot, "at", "repair"], kind="stable")
    after = events.groupby(slot, sort=False)[["at", "repair"]].shift(-1)
    events["end"], events["end_repair"] = after["at"], after["repair"]
    return _closed(events[events["starts"].astype(bool)], lights, known)


def _closed(events: pd.DataFrame, lights: pd.DataFrame, known: Known) -> pd.DataFrame:
    removed = events["light_id"].map(lights["removed"]).astype(float)
    last = np.fmin(removed, known.as_of)
    gone = removed.notna() & (removed <= known.as_of) & ~(events["end"] <= removed)
    open_end = ~(events["end"] <= last)
    frame = pd.DataFrame(
        {
            "light_id": events["light_id"],
            "circuit_id": events["circuit_id"],
            "kind": events["kind"],
            "model": events["model"],
            "installed": events["installed"],
            "installed_last": events["installed_last"],
            "start": events["at"],
            "end": events["end"].where(~open_end, last),
            "start_repair": events["repair"],
            "end_repair": events["end_repair"].where(~open_end, -1).astype(int),
            "gone": gone,
        }
    )
    return frame[frame["start"] < last].reset_index(drop=True)
