"""Fittings: each component in its place, from the day it was fitted to its end.

They are derived from the rows fitted when the register was opened and from the repairs
since. A conversion, or a new luminaire, ends the light's lamp, ballast, ignitor,
driver and module and starts what it names; photocontrol, fuse and wiring go on.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime, read_partial_date
from lightwatch.observations.known import Known
from lightwatch.words import PER_LIGHT, SHARED_LIFE

_KINDS_OF_A_LUMINAIRE = (*SHARED_LIFE, "luminaire")

_EVENT = [
    "light_id", "circuit_id", "kind", "slot", "at", "starts", "model", "installed",
    "installed_last", "repair",
]  # fmt: skip

_OF_REPAIR = [
    "light_id", "circuit_id", "happened", "cause", "component", "action",
    "fitted_model",
]  # fmt: skip


def installed_between(
    values: pd.Series[Any], clock: LocalTime
) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return the first and last instant at which a date so written may have been."""
    written, words = pd.factorize(values)
    between = np.full((2, len(words) + 1), np.nan)
    for i, text in enumerate(words):
        try:
            first, last = read_partial_date(text)
        except NotUnderstood:
            continue
        between[:, i] = clock.midnight(first)
        if last != first:
            between[1, i] = clock.midnight(last)
    earliest, latest = between[:, written]
    return pd.Series(earliest, values.index), pd.Series(latest, values.index)


def _fitted_at_first(known: Known, kind: str) -> pd.DataFrame:
    frame = known.components
    if kind:
        frame = frame[frame["kind"] == kind]
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
    """Return what such a repair ends: the kind, whether one starts, its model.

    A repair that does not say what it worked on ends nothing.
    """
    models = {
        kinds[m.strip()]: m.strip() for m in fitted.split("+") if m.strip() in kinds
    }
    if whole:
        both = dict.fromkeys((*_KINDS_OF_A_LUMINAIRE, *models))
        return [(one, one in models, models.get(one, "")) for one in both]
    if action == "removed":
        return [(kind, False, "")] if kind else []
    started = models if kind in models else {kind: fitted, **models}
    return [(one, True, model) for one, model in started.items() if one]


def _fitted_since(known: Known) -> pd.DataFrame:
    repairs = known.repairs
    renewed = (repairs["action"] == "repaired") & worked_on(repairs).isin(PER_LIGHT)
    fits = repairs["action"].isin(("replaced", "converted", "removed")) | renewed
    by_light = repairs["light_id"] != ""
    group = ~by_light & ~repairs["named"] & (repairs["circuit_id"] != "")
    group &= worked_on(repairs) == "photocontrol"
    chosen = repairs.loc[fits & (by_light | group), _OF_REPAIR]
    kinds = dict(zip(known.models["model"], known.models["kind"], strict=True))
    events = _ends_and_starts(chosen, kinds)
    source = chosen.loc[events["repair"], ["light_id", "circuit_id", "happened"]]
    source = source.reset_index(drop=True)
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


def _holder(
    events: pd.DataFrame, light: NDArray[np.int64], known: Known
) -> NDArray[np.int64]:
    """Return one number for each holder and kind, in the order of their words."""
    rank = np.argsort(np.argsort(known.lights["light_id"].to_numpy()))
    number = np.append(rank + 1, 0)[light]
    for name in ("circuit_id", "kind"):
        code, words = pd.factorize(events[name], sort=True)
        number = number * (len(words) + 1) + code
    return number


def _slots(
    events: pd.DataFrame, holder: NDArray[np.int64], repairs: pd.DataFrame
) -> pd.DataFrame:
    """Say which of several components of a kind a repair replaced.

    It is the one whose model or date code the crew read, else the one longest there.
    """
    first = pd.Series(holder)[(events["repair"] < 0).to_numpy()]
    several = first[first.duplicated(keep=False)]
    events.loc[several.index, "slot"] = several.groupby(several).cumcount()
    chosen = np.flatnonzero(np.isin(holder, several.unique()))
    for _, some in events.iloc[chosen].groupby(holder[chosen], sort=False):
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


def fittings(known: Known, kind: str = "") -> pd.DataFrame:
    """Return every component in its place, one row from fitting to end.

    Parameters
    ----------
    known
        What was known on a day.
    kind
        The one kind asked for; '': all.

    Returns
    -------
    pandas.DataFrame
        ``light_id`` or ``circuit_id`` (a group photocontrol); ``kind``; ``model``;
        ``installed``, ``installed_last`` [instants; NaN where unknown]; ``start``,
        ``end`` [instants] of its time under watch; ``start_repair``, ``end_repair``
        (position in ``known.repairs``, -1: none); ``gone``, True if it ended because
        the light went out of service.
    """
    at_first, since = _fitted_at_first(known, kind), _fitted_since(known)
    parts = [at_first, _one_per_light(known, at_first), since]
    events = pd.concat(parts, ignore_index=True)
    if kind:
        events = events[events["kind"] == kind].reset_index(drop=True)
    events = _holders(events, known)
    light = pd.Index(known.lights["light_id"]).get_indexer(events["light_id"])
    holder = _holder(events, light, known)
    events = _slots(events, holder, known.repairs)
    slot = holder * (1 + events["slot"].max()) + events["slot"].to_numpy()
    at, repair = events["at"].to_numpy(float), events["repair"].to_numpy()
    begun, removed = _service(light, known)
    order = np.lexsort((repair, at, slot))
    order = order[((repair < 0) | (at >= begun))[order]]
    slot, at, repair, removed = (one[order] for one in (slot, at, repair, removed))
    goes_on = slot == np.roll(slot, -1)
    goes_on[-1:] = False
    end = np.where(goes_on, np.roll(at, -1), np.inf)
    last = np.fmin(removed, known.as_of)
    ended = end <= last
    kept = events["starts"].to_numpy(bool)[order] & (at < last)
    same = ("light_id", "circuit_id", "kind", "model", "installed", "installed_last")
    return pd.DataFrame(
        {name: events[name].to_numpy()[order[kept]] for name in same}
        | {
            "start": at[kept],
            "end": np.where(ended, end, last)[kept],
            "start_repair": repair[kept],
            "end_repair": np.where(ended, np.roll(repair, -1), -1)[kept],
            "gone": ((removed <= known.as_of) & (end > removed))[kept],
        },
        copy=False,
    )


def _service(
    light: NDArray[np.int64], known: Known
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return when the lights came into our records, and when they were removed."""
    lights = known.lights
    entered = lights["entered"].astype(float).fillna(known.opened)
    return (
        np.append(entered, float(known.opened))[light],
        np.append(lights["removed"].astype(float), np.nan)[light],
    )
