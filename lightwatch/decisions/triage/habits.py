"""How trouble is told, and mistold: symptoms by cause, false reports, wrong notes.

Shares and rates begin at what is assumed (:mod:`priors`) and give way as records come.
Reports that are open change none of them: of a light each symptom counts once, however
often it was told.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.priors import (
    FALSE,
    NOTED_WRONGLY,
    SHOWN,
    SHOWN_BY,
    WRONG,
    Prior,
)
from lightwatch.decisions.triage.troubles import told_of_lights
from lightwatch.detection import unheld
from lightwatch.nights import DAY, YEAR
from lightwatch.register import Register
from lightwatch.register.reach import reach
from lightwatch.words import DARK, SUPPLY, UNANSWERED, resources

FEED_CAUSES = (*SUPPLY, *SUPPLY.values(), "supply", "fuse", "theft")
"""Causes of a fault on the feed, where the work was on a section or a whole circuit."""

SYMPTOMS = sorted(
    next(
        field.allowed or frozenset()
        for field in resources()["reports"].fields
        if field.name == "symptom"
    )
)

USUAL_SHOWN = np.array([SHOWN[name] for name in SYMPTOMS])

BY_CHANCE = 1e-3
"""So many supplies back within a day are no area where chance brings them so often."""

TOGETHER, AN_AREA = 0.5, 3
"""So many circuits whose supply came back within so long [days] of each other were dark
together: common practice, no source."""

_LIKE = 10.0
_SOON_DAYS = 30.0
_RARE = 0.1
"""Of each symptom a cause counts as seen so many times more than it was."""


def level_of_work(repairs: pd.DataFrame) -> np.ndarray:
    """Name what each repair was about: a light's own part, the feed, the group."""
    shared = (repairs["light_id"] == "") & ~repairs["named"]
    feed = shared & repairs["cause"].isin(FEED_CAUSES)
    group = shared & (repairs["cause"] == "photocontrol")
    return np.select([feed, group], ["feed", "group"], "own")


def source_faults(repairs: pd.DataFrame) -> pd.DataFrame:
    """Return the repairs of whole circuits: main supply or main fuse.

    Where the supply of several circuits came back within hours, the area was dark: that
    tells nothing of how often one of them fails, and is left out.
    """
    from scipy.stats import poisson

    mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    whole = (level_of_work(repairs) == "feed") & (repairs["section_id"] == "")
    found = repairs[mends & whole].sort_values("happened", kind="stable")
    supply = found[found["cause"] == "supply"]
    at = supply["happened"].to_numpy(float) / DAY
    first, last = (np.searchsorted(at, at + away) for away in (-TOGETHER, TOGETHER))
    circuits = supply["circuit_id"].to_numpy(object)
    # In a large city several fail on one day by chance.
    usual = len(at) * 2 * TOGETHER / max(np.ptp(at), YEAR / DAY) if len(at) else 0.0
    fewest = max(AN_AREA, int(poisson.isf(BY_CHANCE, usual)) + 1)
    many = np.flatnonzero(last - first >= fewest)
    area = [i for i in many if len(set(circuits[first[i] : last[i]])) >= fewest]
    return found.drop(index=supply.index[area])


def symptom_shares(register: Register) -> dict[tuple[str, str], float]:
    """Return how often each cause was reported as each symptom."""
    reports = register.known.reports.set_index("report_id")["symptom"]
    repairs = register.known.repairs
    answered = repairs[
        (repairs["report_id"] != "") & ~repairs["action"].isin(UNANSWERED)
    ]
    answered = answered[~answered.index.isin(unheld(register))]
    symptom = answered["report_id"].map(reports)
    level = pd.Series(level_of_work(answered), answered.index)
    own = answered["cause"].where(level == "own", "")
    counts = pd.concat([pd.crosstab(level, symptom), pd.crosstab(own, symptom)])
    counts = counts[counts.index != ""].groupby(level=0).sum()
    counts = counts.reindex(columns=SYMPTOMS, fill_value=0)
    for cause in {"feed", "group", "own", *SHOWN_BY} - set(counts.index):
        counts.loc[cause] = 0
    usual = counts.sum() + _LIKE * USUAL_SHOWN
    like = pd.DataFrame([usual / usual.sum()] * len(counts), index=counts.index)
    for cause, shown in SHOWN_BY.items():
        like.loc[cause] = [shown.get(name, 0.0) for name in SYMPTOMS]
    like = like.clip(lower=_RARE)
    like.loc["feed"] = 0.0
    like.loc["feed", list(DARK)] = [0.7, 0.3]
    shares = (counts + like).div((counts + like).sum(axis=1), axis=0)
    return {
        (str(cause), str(name)): float(shares.at[cause, name])
        for cause in shares.index
        for name in shares.columns
    }


def heard(register: Register) -> dict[str, float]:
    """Return by symptom of how many lights it was reported, however often."""
    told = told_of_lights(register)
    told = told[~told["seen"].astype(bool) & (told["light_id"] != "")]
    once = told.drop_duplicates(["light_id", "symptom"])
    return {str(k): float(n) for k, n in once["symptom"].value_counts().items()}


def false_per_night(
    register: Register, own_per_year: float
) -> tuple[dict[str, float], int]:
    """Return false reports per light and night, by symptom, and how many were found.

    Visits that found no fault, by what was reported; beforehand, so many that they are
    a tenth of all reports where true ones come as often as lights fail.

    Parameters
    ----------
    register
        The register as known on a day.
    own_per_year
        Failures of an average light [1/year].
    """
    known, until = register.known, reach(register).repairs
    assumed = FALSE.mean / (1 - FALSE.mean) * own_per_year / (YEAR / DAY)
    symptoms = known.reports.set_index("report_id")["symptom"]
    false = known.repairs[known.repairs["action"] == "no_fault_found"]
    counts = false["report_id"].map(symptoms).value_counts()
    watched = 0.0 if until is None else max((until - known.opened) / DAY, 0.0)
    nights = len(known.lights) * watched
    rates = {
        name: Prior(assumed * SHOWN[name], FALSE.events).drawn(
            float(counts.get(name, 0)), nights
        )
        for name in SYMPTOMS
    }
    return rates, int(counts.sum())


def wrong_shares(register: Register, astray: float) -> dict[str, float]:
    """Return the share of reports that were of another light or of none, by symptom."""
    known = register.known
    told = known.reports.set_index("report_id")["symptom"]
    answered = known.repairs[~known.repairs["action"].isin(UNANSWERED)]
    symptom = answered["report_id"].map(told)
    every = symptom.value_counts()
    false = symptom[answered["action"] == "no_fault_found"].value_counts()
    found = {
        name: WRONG.drawn(float(false.get(name, 0)), float(every.get(name, 0)))
        for name in SYMPTOMS
    }
    return {
        name: float(1 - (1 - share) * (1 - astray)) for name, share in found.items()
    }


def noted_wrongly(register: Register) -> tuple[float, int]:
    """Return lights that a patrol noted and a crew found in order, by light passed."""
    known = register.known
    repairs, sightings = known.repairs, known.sightings
    none = repairs[
        (repairs["action"] == "no_fault_found") & (repairs["light_id"] != "")
    ]
    found = none[["light_id", "happened"]].rename(columns={"happened": "crew"})
    both = found[none["report_id"] == ""].merge(sightings, on="light_id")
    days = (both["crew"] - both["happened"]) / DAY
    wrong = int(both[(days > 0) & (days < _SOON_DAYS)]["light_id"].nunique())
    on_road = known.lights["road_id"].value_counts()
    passed = float(known.patrols["road_id"].map(on_road).fillna(0.0).sum())
    return NOTED_WRONGLY.drawn(float(wrong), passed), wrong
