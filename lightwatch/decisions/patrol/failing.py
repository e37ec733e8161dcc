"""How each light fails: its hazard by the state in which it then shows."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.experience import experience
from lightwatch.detection import episodes
from lightwatch.detection.episodes import of_faults
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.register import Register
from lightwatch.words import DARK

_LIKE = 5.0


def symptom_shares(register: Register) -> pd.DataFrame:
    """Return how often each kind of failure showed as each symptom, rows sum to 1.

    Kinds with few failures are drawn to the average of all.
    """
    frame = of_faults(episodes(register))
    frame = frame[frame["symptom"] != ""]
    symptom = frame["symptom"].replace("group_out", "out")
    counts = pd.crosstab(frame["cause"], symptom)
    if "out" not in counts:
        counts["out"] = 0
    usual = counts.sum() + 1.0
    usual = usual / usual.sum()
    counts.loc["any"] = 0.0
    shares = counts + _LIKE * usual
    return shares.div(shares.sum(axis=1), axis=0)


def repeat_factor(lives: Lives) -> pd.Series[float]:
    """Return by how much each light fails more often than its like.

    Failures of a light are Poisson about a mean of its own; the means are gamma
    distributed about what is expected of its parts, with the spread of all lights.
    """
    frame = lives.frame[lives.frame["light_id"] != ""]
    years = (frame["end"] - frame["start"]) / YEAR
    kinds = [frame["kind"], frame["type"]]
    rate = frame["failed"].groupby(kinds).transform("sum") / np.maximum(
        years.groupby(kinds).transform("sum"), 1.0
    )
    sums = (
        pd.DataFrame({"seen": frame["failed"].astype(float), "due": years * rate})
        .groupby(frame["light_id"])
        .sum()
    )
    beyond = ((sums["seen"] - sums["due"]) ** 2 - sums["due"]).sum()
    spread = max(float(beyond) / max(float((sums["due"] ** 2).sum()), 1e-9), 0.02)
    return (sums["seen"] + 1 / spread) / (sums["due"] + 1 / spread)


def feeding(lives: Lives, lights: pd.DataFrame) -> pd.DataFrame:
    """Return for each light the hazard of its feed, and how the feed is reported.

    Returns
    -------
    pandas.DataFrame
        In the order of ``lights``: ``per_year`` [1/year], of going dark by a section
        on its way to the source, its circuit's supply or group photocontrol;
        ``crowd``, reports of what goes dark with it to those of one light alone: a
        harmonic mean over these faults, so that the mean time until the first report
        is right.
    """
    known = experience(lives)
    feeds = lives.register.feeds
    rate = known.of_sections.to_dict()
    section = lights["section_id"].to_numpy()
    ways = [feeds.get(one, ()) for one in section]
    beyond = Counter(above for way in ways for above in way)
    circuits = lives.register.known.circuits.set_index("circuit_id")
    control = lights["circuit_id"].map(circuits["control"])
    size = lights.groupby("circuit_id")["light_id"].transform("size").to_numpy(float)
    group = known.group_per_year * known.shows("group", DARK)
    total = known.supply_per_year * control.notna().to_numpy(float)
    total += group * (control == "group").to_numpy(float)
    waits = total / size
    for i, way in enumerate(ways):
        for above in way:
            hazard = rate.get(above, 0.0)
            total[i] += hazard
            waits[i] += hazard / beyond[above]
    many = np.divide(total, waits, out=np.ones(len(lights)), where=waits > 0)
    return pd.DataFrame({"per_year": total, "crowd": known.crowd.first * many})


def hazard_by_state(
    lives: Lives, lights: pd.DataFrame, hazards: pd.DataFrame
) -> pd.DataFrame:
    """Return each light's own hazard of coming into each state [1/year]."""
    shares = symptom_shares(lives.register)
    own = hazards[hazards["light_id"] != ""]
    rows = shares.reindex(own["kind"]).fillna(shares.loc["any"])
    by_state = rows.mul(own["per_year"].to_numpy(), axis=0)
    by_state.index = own["light_id"].to_numpy()
    summed = by_state.groupby(level=0).sum().reindex(lights["light_id"]).fillna(0.0)
    again = repeat_factor(lives).reindex(lights["light_id"]).fillna(1.0)
    return summed.mul(again.to_numpy(), axis=0)
