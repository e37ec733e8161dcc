"""Repairs of a light's own part that do not say at which light.

A row that names a circuit and nothing else is work on the circuit as a whole: a main
fuse, a cable, a group control, a visit of which nobody says what it was about. It is
not where a lamp was replaced: nobody replaces the lamp of a circuit, the crew left out
which light it was. Taken for the whole circuit such a row would answer every report
there, and the failure would reach no rate. So it belongs to the light of the circuit
whose trouble it most likely ended, and to no light where several are as likely.

How likely is read off the repairs that do name their light: how long after a report
they came, and which symptoms their parts show. A trouble that a later repair of that
light ended is hardly the one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.nights import DAY
from lightwatch.observations.nearest import nearest_lights
from lightwatch.words import DARK, SHARED_LIFE

if TYPE_CHECKING:
    from lightwatch.observations.known import Known

Floats = NDArray[np.float64]

OWN_PARTS = (*SHARED_LIFE, "photocontrol", "wiring", "luminaire", "pole")
"""Parts that hang at one light; a fuse may be that of the circuit."""

MENDS = ("replaced", "repaired", "reset")
"""A conversion without a light may be that of all lights of a circuit."""

UNSAID = ("", "unknown")

OPEN_DAYS = 60.0
"""A trouble older than this is not looked for; common practice, no source."""

NEAR_M = 60.0
"""A report that names no light is that of the nearest up to so far."""

MARGIN = 4.0
"""By so much one light must be likelier than any other; no source."""

UNLIKELY = 0.02
"""Likelihood of a trouble that nobody told of, where the likeliest is about 1."""

EXPLAINED = 0.05
"""Chance that a trouble was not the one that a later repair at the light ended, or, of
lights that were dark together, work on their feed; no source."""

OTHER = 0.1
"""Chance that a crew finds another symptom than was told, or fits another type."""

_DAYS = np.array([0.0, 1.0, 3.0, 7.0, 14.0, 21.0, 30.0, 45.0, OPEN_DAYS])
_ANYWHERE = ("wiring", "luminaire", "pole")


def part_of(repairs: pd.DataFrame) -> pd.Series[str]:
    """Return the part that each repair was about: its cause, or what it worked on."""
    cause = repairs["cause"]
    return cause.where(~cause.isin(UNSAID), repairs["component"])


def names_no_light(repairs: pd.DataFrame, known: Known) -> pd.Series[bool]:
    """Tell which repairs were of a light's own part, and name only its circuit."""
    part, circuit = part_of(repairs), repairs["circuit_id"]
    found = part.isin(OWN_PARTS) & repairs["action"].isin(MENDS)
    for name in ("light_id", "section_id", "report_id"):
        found &= repairs[name] == ""
    found &= (circuit != "") & ~repairs["named"]
    controls = known.components.loc[known.components["kind"] == "photocontrol"]
    lights = known.lights
    own = lights.loc[lights["light_id"].isin(controls["light_id"]), "circuit_id"]
    circuits = known.circuits.set_index("circuit_id")["control"]
    said = circuit.map(circuits).fillna("")
    grouped = (said == "group") | circuit.isin(set(controls["circuit_id"]))
    alone = ((said == "own") | circuit.isin(set(own))) & ~grouped
    found &= (part != "photocontrol") | alone
    return found


def names_report(repairs: pd.DataFrame) -> pd.Series[bool]:
    """Tell which repairs were of a light's part, and name but a report of no light."""
    told = repairs["by_report"] & (repairs["light_id"] == "")
    return told & part_of(repairs).isin((*OWN_PARTS, "fuse"))


def at_their_lights(repairs: pd.DataFrame, known: Known) -> pd.DataFrame:
    """Put repairs that name only a circuit, or a report without a light, at lights.

    Parameters
    ----------
    repairs
        As recorded, references resolved; ``named`` says that a light was named, and
        ``by_report`` that nothing but a report was.
    known
        What was known on the day.

    Returns
    -------
    pandas.DataFrame
        The same rows, with ``by_circuit``: whether :func:`names_no_light` tells of it.
        There ``named`` is true, and ``light_id`` is that of the likeliest light, ''
        where none is by far.
    """
    lost, told = names_no_light(repairs, known), names_report(repairs)
    repairs["by_circuit"] = lost
    if not (lost.any() or told.any()):
        return repairs
    signs = _signs(known)
    if told.any():
        where = signs[signs["report_id"] != ""].set_index("report_id")["light_id"]
        found = repairs.loc[told, "report_id"].map(where).fillna("")
        repairs.loc[told, "light_id"] = found
    if not lost.any():
        return repairs
    repairs.loc[lost, "named"] = True
    pairs = _pairs(repairs, lost, signs, known)
    for name in ("repair", "light_id"):
        pairs = _likeliest(pairs, name)
    repairs.loc[pairs["repair"], "light_id"] = pairs["light_id"].to_numpy(object)
    return repairs


def _signs(known: Known) -> pd.DataFrame:
    """Return reports and sightings, with ``light_id``, ``at`` and ``symptom``."""
    reports, sightings = known.reports, known.sightings
    light = reports["light_id"].copy()
    lost = light == ""
    found, away = nearest_lights(known.lights, reports[lost])
    light[lost] = found.where(away <= NEAR_M, "")
    told = reports[["report_id", "symptom"]].assign(
        light_id=light, at=reports["happened"].astype(float)
    )
    seen = pd.DataFrame(
        {
            "report_id": "",
            "symptom": sightings["state"],
            "light_id": sightings["light_id"],
            "at": sightings["happened"].astype(float),
        }
    )
    both = pd.concat([one for one in (told, seen) if len(one)] or [told])
    both["symptom"] = both["symptom"].where(~both["symptom"].isin(DARK), DARK[0])
    return both.reset_index(drop=True)


class _Named(NamedTuple):
    """What repairs that name their light tell of the others."""

    per_day: Floats
    """How likely a repair comes so many days after a report, by ``_DAYS``."""

    shown: pd.Series[float]
    """How often a part showed a symptom, by both."""

    work: pd.DataFrame
    """Repairs at lights: ``light_id`` and ``at``, in order of time."""


def _named(repairs: pd.DataFrame, known: Known) -> _Named:
    done = repairs[(repairs["light_id"] != "") & repairs["action"].isin(MENDS)]
    told = known.reports.set_index("report_id")[["happened", "symptom"]]
    told = told.reindex(done["report_id"])
    days = (done["happened"].to_numpy(float) - told["happened"].to_numpy(float)) / DAY
    count, _ = np.histogram(days[np.isfinite(days)], _DAYS)
    per_day = (count + 1.0) / np.diff(_DAYS)
    symptom = told["symptom"].where(~told["symptom"].isin(DARK), DARK[0]).to_numpy()
    pairs = pd.DataFrame({"part": part_of(done).to_numpy(), "symptom": symptom})
    seen = pairs.dropna().value_counts().astype(float)
    work = done[["light_id"]].assign(at=done["happened"].astype(float))
    return _Named(per_day / per_day.max(), seen, work.sort_values("at", kind="stable"))


def _pairs(
    repairs: pd.DataFrame, lost: pd.Series[bool], signs: pd.DataFrame, known: Known
) -> pd.DataFrame:
    """Return how likely each lost repair is at each light in trouble on its circuit."""
    named = _named(repairs, known)
    asked = repairs[lost]
    work = pd.DataFrame(
        {
            "repair": asked.index,
            "circuit_id": asked["circuit_id"],
            "done": asked["happened"].astype(float),
            "part": part_of(asked),
            "found": asked["symptom_found"].where(
                ~asked["symptom_found"].isin(DARK), DARK[0]
            ),
            "model": asked["fitted_model"],
        }
    )
    answered = set(repairs["report_id"]) - {""}
    told = signs[~signs["report_id"].isin(answered)]
    where = known.lights[["light_id", "circuit_id"]]
    told = told.merge(where[where["circuit_id"].isin(set(work["circuit_id"]))])
    pairs = work.merge(told, on="circuit_id")
    days = (pairs["done"] - pairs["at"]) / DAY
    pairs = pairs[(days > 0) & (days < OPEN_DAYS)]
    pairs = _still_open(pairs.sort_values("at", kind="stable"), named.work)
    pairs = pairs.drop_duplicates(["repair", "light_id"])
    pairs["likely"] = _likely(pairs, named, repairs, told, known)
    return pairs[pairs["likely"] > 0]


def _still_open(pairs: pd.DataFrame, work: pd.DataFrame) -> pd.DataFrame:
    """Return the pairs whose light nobody worked on between the sign and the repair."""
    last = pd.merge_asof(
        pairs.sort_values("done", kind="stable"),
        work.rename(columns={"at": "worked"}),
        left_on="done", right_on="worked", by="light_id",
    )  # fmt: skip
    still = ~(last["worked"] > last["at"])
    return last[still].sort_values("at", kind="stable")


def _likely(
    pairs: pd.DataFrame,
    named: _Named,
    repairs: pd.DataFrame,
    told: pd.DataFrame,
    known: Known,
) -> Floats:
    """Return how likely each pair is, about 1 where nothing speaks against it."""
    days = ((pairs["done"] - pairs["at"]) / DAY).to_numpy(float)
    soon = named.per_day[np.searchsorted(_DAYS, days, side="right") - 1]
    both = pd.MultiIndex.from_frame(pairs[["part", "symptom"]])
    seen = named.shown.reindex(both).fillna(0.0).to_numpy(float)
    most = pairs["part"].map(named.shown.groupby("part").max()).fillna(0.0)
    shown = (seen + 1.0) / (most.to_numpy(float) + 1.0)
    as_found = np.where(pairs["found"] == pairs["symptom"], 1.0, OTHER)
    symptom = np.where(pairs["found"] == "", shown, as_found)
    elsewhere = _ended_later(pairs, named.work, told) | _fed(pairs, repairs)
    explained = np.where(elsewhere, EXPLAINED, 1.0)
    return np.asarray(soon * symptom * explained * _fits(pairs, repairs, known))


def _ended_later(
    pairs: pd.DataFrame, work: pd.DataFrame, told: pd.DataFrame
) -> NDArray[np.bool_]:
    """Tell where the next that was heard of a light is another repair of it."""
    asked = pairs[["light_id", "done"]].assign(row=np.arange(len(pairs)))
    asked = asked.sort_values("done", kind="stable")

    def following(when: pd.DataFrame) -> Floats:
        times = when[["light_id", "at"]].rename(columns={"at": "then"})
        found = pd.merge_asof(
            asked, times.sort_values("then", kind="stable"), by="light_id",
            left_on="done", right_on="then", direction="forward",
            allow_exact_matches=False,
        )  # fmt: skip
        then = found.sort_values("row")["then"].fillna(np.inf)
        return np.asarray(then, dtype=float)

    worked, again = following(work), following(told)
    soon = worked - pairs["done"].to_numpy(float) < OPEN_DAYS * DAY
    return np.asarray(soon & (again > worked))


def _fits(pairs: pd.DataFrame, repairs: pd.DataFrame, known: Known) -> Floats:
    """Tell whether such a part hangs at each light, and of the type that was fitted."""
    models = known.models.set_index("model")
    first = known.components[["light_id", "kind", "model"]]
    since = repairs.loc[repairs["light_id"] != "", ["light_id", "fitted_model"]]
    since = since.rename(columns={"fitted_model": "model"})
    there = pd.concat([first, since])
    kind = there["kind"].fillna(there["model"].map(models["kind"]))
    type_ = there["model"].map(models["type"]).fillna("")
    kinds = set(zip(there["light_id"], kind, strict=True))
    types = set(zip(there["light_id"], kind, type_, strict=True))
    listed = set(known.components["light_id"])
    fitted = pairs["model"].map(models["type"]).fillna("")

    def one(light: str, part: str, model_type: str) -> float:
        if light not in listed or part in _ANYWHERE:
            return 1.0
        if (light, part) not in kinds:
            return 0.0
        return 1.0 if not model_type or (light, part, model_type) in types else OTHER

    rows = zip(pairs["light_id"], pairs["part"], fitted, strict=True)
    return np.array([one(*row) for row in rows])


def _fed(pairs: pd.DataFrame, repairs: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which dark lights work on their circuit or a section may have lit again."""
    feed = repairs[(repairs["light_id"] == "") & ~repairs["named"]]
    feed = feed[(feed["circuit_id"] != "") & feed["action"].isin(MENDS)]
    times = feed[["circuit_id"]].assign(fed=feed["happened"].astype(float))
    asked = pairs[["circuit_id", "at", "symptom"]].assign(row=np.arange(len(pairs)))
    found = pd.merge_asof(
        asked,
        times.sort_values("fed", kind="stable"),
        left_on="at", right_on="fed", by="circuit_id", direction="forward",
    ).sort_values("row")  # fmt: skip
    soon = found["fed"] < found["at"] + OPEN_DAYS * DAY
    return np.asarray(soon & (found["symptom"] == DARK[0]), dtype=bool)


def _likeliest(pairs: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return of each repair, or each light, the pair that is by far the likeliest."""
    order = pairs.sort_values("likely", ascending=False, kind="stable")
    second = order["likely"].groupby(order[by]).shift(-1).fillna(0.0)
    first = ~order.duplicated(by)
    sure: Any = order["likely"] >= MARGIN * (second + UNLIKELY)
    return order[first & sure]
