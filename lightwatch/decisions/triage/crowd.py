"""How soon lights that are dark together are reported, against one dark alone.

Many see them, and each thinks another has told. Both numbers are read off mended faults
of feeds: before the first report, from how many were reported before a patrol came by;
after it, from the lights that were reported as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar

from lightwatch.decisions.triage.priors import CROWD
from lightwatch.decisions.triage.troubles import told_of_lights
from lightwatch.detection import Detection
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK

USUAL, _LIKE = CROWD.mean, CROWD.events
"""Of the reports that lights dark alone would have, a light dark with others has this
share; as good as so many reports."""

_BEFORE_DAYS = 30.0
_RANGE = (0.02, 2.0)


@dataclass(frozen=True)
class Crowd:
    """Rate of reports of a light dark with others, against that of one dark alone.

    Parameters
    ----------
    first
        Until the first of them is reported.
    later
        From then on.
    """

    first: float = USUAL
    later: float = USUAL


def noticed(register: Register, mends: pd.DataFrame) -> pd.DataFrame:
    """Return the lights of each mended fault and when each was first told of.

    Returns
    -------
    pandas.DataFrame
        ``repair``, ``light_id``, ``told`` (report), ``seen`` (by a patrol), ``day`` of
        the mend [days]; not a number where there was none within a month before it.
    """
    frame = mends.assign(
        repair=mends.index, day=mends["happened"] / DAY, part=worked_on(mends)
    )
    touched = lights_touched(register, frame)[["repair", "light_id", "day"]]
    signs = told_of_lights(register)
    signs = signs[
        signs["symptom"].isin(DARK) & signs["light_id"].isin(set(touched["light_id"]))
    ]
    signs = signs.assign(at=signs["at"] / DAY)[["light_id", "at", "seen"]]
    both = touched.merge(signs, on="light_id", how="left")
    inside = (both["at"] <= both["day"]) & (both["at"] > both["day"] - _BEFORE_DAYS)
    seen = both["seen"].eq(other=True)
    both["told"] = both["at"].where(inside & ~seen)
    both["seen"] = both["at"].where(inside & seen)
    by = both.groupby(["repair", "light_id"], as_index=False)
    return by[["told", "seen", "day"]].min()


def _between_patrols(register: Register) -> pd.Series[float]:
    """Return the days between two night patrols of a light's road, as a fault finds it.

    A fault is likelier to begin in a long gap than in a short one: gaps count by their
    length.
    """
    patrols = register.known.patrols
    nights = patrols[patrols["kind"] == "night"].sort_values("happened")
    gap = (nights["happened"] / DAY).groupby(nights["road_id"]).diff()
    sums = pd.DataFrame({"gap": gap, "square": gap**2})
    sums = sums.groupby(nights["road_id"]).sum()
    every = (sums["square"] / sums["gap"])[sums["gap"] > 0]
    lights = register.known.lights.set_index("light_id")["road_id"]
    return lights.map(every)


def _before_the_first(
    register: Register, lights: pd.DataFrame, usual: np.ndarray
) -> float:
    """Return the share at which the reported and the seen come out as they did.

    Of faults that begin at any time between two patrols D days apart and are reported
    at a rate r, the share 1 - (1 - exp(-r D)) / (r D) is reported first.
    """
    every = lights["light_id"].map(_between_patrols(register)).to_numpy(float)
    faults = lights.assign(rate=usual, every=every).groupby("repair").agg(
        told=("told", "min"), seen=("seen", "min"), rate=("rate", "sum"),
        every=("every", "mean"), many=("rate", "size"),
    )  # fmt: skip
    faults = faults[faults["many"] > 1].dropna(subset=["every"])
    faults = faults[faults["told"].notna() | faults["seen"].notna()]
    told = ~(faults["seen"] <= faults["told"]).to_numpy()
    told &= faults["told"].notna().to_numpy()
    met = (faults["rate"] * faults["every"]).to_numpy(float)

    def against(share: float) -> float:
        seen = -np.expm1(-share * met) / (share * met)
        chance = np.where(told, 1 - seen, seen)
        away = np.log(share / USUAL)
        return float(away**2 * _LIKE / 2 - np.log(np.maximum(chance, 1e-12)).sum())

    found = minimize_scalar(against, bounds=_RANGE, method="bounded")
    return float(found.x)


def _after_the_first(lights: pd.DataFrame, usual: np.ndarray) -> float:
    begun = lights.groupby("repair")["told"].transform("min")
    known = begun.notna().to_numpy()
    lights, begun = lights[known], begun[known]
    nights = lights["told"].fillna(lights["day"]) - begun
    later = float((lights["told"] > begun).sum())
    expected = float((usual[known] * nights.to_numpy()).sum())
    return (later + _LIKE * USUAL) / (expected + _LIKE)


def crowd(register: Register, detected: Detection, mends: pd.DataFrame) -> Crowd:
    """Read off the records how lights dark together are reported.

    Parameters
    ----------
    register
        The register as known on a day.
    detected
        How soon lights dark alone are reported.
    mends
        Repairs of faults that lights share, rows of ``known.repairs``.
    """
    lights = noticed(register, mends)
    usual = detected.reported_per_day(lights["light_id"], "out")
    return Crowd(
        _before_the_first(register, lights, usual), _after_the_first(lights, usual)
    )
