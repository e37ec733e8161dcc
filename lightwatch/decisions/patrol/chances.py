r"""The chance that a light is in trouble and nobody has said so.

Since a light was last known lit it fails at its hazard, and once it has failed it is
reported at a rate. Given that no report has come, the odds :math:`o` of failed against
lit follow :math:`\dot o = \lambda + (\lambda - \rho) o`; a patrol that passes and
notes nothing multiplies them by the chance that it would have overlooked the light.
Rates of reports differ from light to light (:mod:`lightwatch.detection.silence`): the
odds are the mean over them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.patrol.failing import feeding, hazard_by_state
from lightwatch.detection import PROVEN, Detection, unheld
from lightwatch.detection.silence import Silence, silence
from lightwatch.detection.touched import lights_touched
from lightwatch.lives import Lives
from lightwatch.nights import DAY, YEAR
from lightwatch.rates.hazards import hazards_now
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK, UNANSWERED

YEAR_DAYS = YEAR / DAY

PASSES_BACK_DAYS = 5 * YEAR_DAYS
"""Older passes no longer tell anything."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Since:
    """What is known of each of n lights since it was last worked on.

    Parameters
    ----------
    lit
        When it was last made to work [days since 1970].
    odds
        That it did not work even then.
    light, passed
        Patrols that passed it since and noted nothing: index of the light, in order,
        and when [days], in order.
    """

    lit: Floats
    odds: Floats
    light: NDArray[np.int64]
    passed: Floats


def silent_odds(
    since: Since, at_day: float, hazard: Floats, reported: Floats, hit: float
) -> Floats:
    r"""Return the odds that each light is in trouble, given that nobody said so.

    Parameters
    ----------
    since
        Of n lights.
    at_day
        When [days since 1970].
    hazard, reported
        Shape (n,): failing, and being reported once failed [1/day].
    hit
        Chance that a passing patrol notes a light in that state.

    Notes
    -----
    With no pass, :math:`\lambda (e^{(\lambda-\rho)\tau} - 1)/(\lambda-\rho)`. It
    is the chance out and unreported, over the chance lit,
    :math:`\lambda/(\rho-\lambda) (e^{-\lambda\tau} - e^{-\rho\tau}) /
    e^{-\lambda\tau}`.
    """
    count = len(since.lit)
    if not count:
        return np.zeros(0)
    light: Ints = np.concatenate([np.arange(count), since.light])
    begins = np.concatenate([since.lit, since.passed])
    order = np.lexsort((begins, light))
    light, begins = light[order], begins[order]
    last = np.append(light[1:] != light[:-1], True)
    ends = np.where(last, at_day, np.append(begins[1:], at_day))
    final = np.flatnonzero(last)
    later = final[np.searchsorted(final, np.arange(len(light)))] - np.arange(len(light))
    missed = np.power(1.0 - hit, later)
    growth = (hazard - reported)[light]
    growth[np.abs(growth) < 1e-9] = 1e-9
    from_begin = np.exp(growth * np.maximum(at_day - begins, 0.0))
    from_end = np.exp(growth * np.maximum(at_day - ends, 0.0))
    failed_since = hazard[light] * missed * (from_begin - from_end) / growth
    first = np.append(True, last[:-1])
    at_first = np.zeros(len(light))
    at_first[first] = since.odds
    each = failed_since + at_first * missed * from_begin
    return np.asarray(np.bincount(light, each, minlength=count), dtype=np.float64)


def mixed_odds(
    since: Since,
    at_day: float,
    hazard: Floats,
    reported: Floats,
    hit: float,
    differ: Silence,
) -> Floats:
    """Return :func:`silent_odds`, averaged over how rates of reports differ."""
    odds = np.zeros(len(since.lit))
    for rate, share in zip(*differ.rates, strict=True):
        odds += share * silent_odds(since, at_day, hazard, rate * reported, hit)
    return odds


def chance(odds: Floats) -> Floats:
    """Return the probability of odds."""
    return odds / (1.0 + odds)


def last_worked(register: Register, lights: pd.DataFrame) -> pd.DataFrame:
    """Return when each light was last made to work, and the odds that it was not.

    Parameters
    ----------
    register
        As known on a day.
    lights
        Rows of ``register.standing``.

    Returns
    -------
    pandas.DataFrame
        In the order of ``lights``: ``day`` [days since 1970] and ``odds``.
    """
    repairs = register.known.repairs
    done = repairs[
        ~repairs["action"].isin(UNANSWERED) & (repairs["made_safe"] != "yes")
    ]
    done = done.assign(
        repair=done.index, day=done["happened"] / DAY, part=worked_on(done)
    )
    touched = lights_touched(register, done)
    last = touched.groupby("light_id").last().reindex(lights["light_id"])
    own = repairs["light_id"] != ""
    slip = (len(unheld(register)) + 1.0) / (float(own.sum()) + 50.0)
    doubtful = last["day"].notna() & ~last["proven"].isin(PROVEN)
    opened = np.fmax(lights["entered"].to_numpy(float), register.known.opened) / DAY
    return pd.DataFrame(
        {
            "day": np.fmax(last["day"].to_numpy(float), opened),
            "odds": np.where(doubtful, slip, slip / 10),
        }
    )


def known_since(register: Register, lights: pd.DataFrame, kind: str) -> Since:
    """Return what repairs and patrols of a kind (night, day) tell of each light."""
    worked = last_worked(register, lights)
    lit = worked["day"].to_numpy(float)
    patrols = register.known.patrols
    recent = patrols["happened"] / DAY > register.as_of / DAY - PASSES_BACK_DAYS
    rounds = patrols.loc[
        (patrols["kind"] == kind) & recent, ["patrol_id", "road_id", "happened"]
    ]
    places = pd.DataFrame(
        {
            "light": np.arange(len(lights)),
            "light_id": lights["light_id"].to_numpy(),
            "road_id": lights["road_id"].to_numpy(),
            "lit": lit,
        }
    )
    passes = places.merge(rounds, on="road_id")
    passes = passes.assign(day=passes["happened"] / DAY)
    passes = passes[passes["day"] > passes["lit"]]
    noted = register.known.sightings[["patrol_id", "light_id"]].drop_duplicates()
    passes = passes.merge(
        noted, on=["patrol_id", "light_id"], how="left", indicator=True
    )
    passes = passes[passes["_merge"] == "left_only"].sort_values(
        ["light", "day"], kind="stable"
    )
    return Since(
        lit,
        worked["odds"].to_numpy(float),
        passes["light"].to_numpy(np.int64),
        passes["day"].to_numpy(float),
    )


def unreported(
    lives: Lives,
    detected: Detection,
    at_day: float,
    hits: Mapping[str, float],
    kind: str = "night",
    judged: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Return the chance of each light to be in each state with nobody knowing.

    Parameters
    ----------
    lives
        Life data, and the register behind them.
    detected
        How soon trouble is noticed.
    at_day
        When [days since 1970].
    hits
        By state: chance that a patrol of this kind notes it; other states are left
        out.
    kind
        ``night`` or ``day``: whose passes are evidence.
    judged
        Light to its chance of being dark by its feed, where something is open on its
        circuit: more than silence then tells of it.

    Returns
    -------
    pandas.DataFrame
        Lights in service by row, states by column.
    """
    lights = lives.register.standing.reset_index(drop=True)
    hazards = hazards_now(lives)
    own = hazard_by_state(lives, lights, hazards)
    since = known_since(lives.register, lights, kind)
    nothing = Since(since.lit, np.zeros(len(lights)), since.light, since.passed)
    differ, found = silence(lives.register), {}
    for state, hit in hits.items():
        hazard = own[state].to_numpy() / YEAR_DAYS if state in own else None
        if hazard is None:
            continue
        told = detected.reported_per_day(lights["light_id"], state)
        start = since if state == "out" else nothing
        chances = chance(mixed_odds(start, at_day, hazard, told, hit, differ))
        if state in DARK:
            feed = feeding(lives, lights)
            together = told * np.maximum(feed["crowd"].to_numpy(), 1.0)
            by_feed = feed["per_year"].to_numpy() / YEAR_DAYS
            odds = silent_odds(nothing, at_day, by_feed, together, hit)
            silent = pd.Series(chance(odds), lights["light_id"])
            silent.update(pd.Series(judged or {}, dtype=float))
            chances = 1 - (1 - chances) * (1 - silent.to_numpy())
        found[state] = chances
    return pd.DataFrame(found, index=pd.Index(lights["light_id"]))
