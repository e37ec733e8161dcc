"""Invented worlds of parts whose truth is known: to hold a forecast to it.

100,000 parts of four models at three depots, watched for eight years and two years
more. A Weibull world, and one with 6 % infant mortality and lognormal wear-out. Each
depot has its season and its good and bad months.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import lognorm

from lightwatch.decisions.stock.climate import Climate
from lightwatch.decisions.stock.drawing import Ahead
from lightwatch.decisions.stock.kinds import KindModel, kind_model
from lightwatch.decisions.stock.sharing import sharing
from lightwatch.decisions.stock.uses import Uses

MODELS, DEPOTS = 4, 3
HISTORY, AHEAD = 96, 24
FIRST_MONTH = 12 * 46
OLDEST = 12 * 30
KINDS = ("weibull", "mixture")


@dataclass(frozen=True)
class World:
    """What happened, and the truth behind it.

    ``demand`` is groups by months, history first; ``lives`` as in ``Uses``;
    ``standing`` parts by group and age at the end of the history; ``chance`` the true
    hazard by model and age [per month]; ``season`` the mean factor by depot and month.
    """

    demand: np.ndarray
    lives: pd.DataFrame
    standing: np.ndarray
    hazard: np.ndarray
    season: np.ndarray

    @property
    def expected(self) -> np.ndarray:
        """What one who knows the truth expects of the months ahead, by group."""
        mix = self.standing.astype(float).copy()
        made = np.zeros((mix.shape[0], AHEAD))
        model = np.repeat(np.arange(MODELS), DEPOTS)
        depot = np.tile(np.arange(DEPOTS), MODELS)
        for month in range(AHEAD):
            factor = self.season[depot, HISTORY + month]
            lost = mix * -np.expm1(-self.hazard[model] * factor[:, None])
            made[:, month] = lost.sum(axis=1)
            mix = np.roll(mix - lost, 1, axis=1)
            mix[:, 0] = made[:, month]
        return made


def _cumulative(kind: str, rng: np.random.Generator) -> np.ndarray:
    ages = np.arange(OLDEST + 1) / 12
    made = []
    for _ in range(MODELS):
        if kind == "weibull":
            made.append((ages / rng.uniform(8, 16)) ** rng.uniform(1.3, 3.5))
            continue
        worn = lognorm(s=rng.uniform(0.35, 0.5), scale=rng.uniform(9, 15))
        alive = 0.06 * np.exp(-ages / 0.5) + 0.94 * worn.sf(ages)
        made.append(-np.log(np.maximum(alive, 1e-12)))
    return np.array(made)


def _season(rng: np.random.Generator) -> np.ndarray:
    month = FIRST_MONTH + np.arange(HISTORY + AHEAD)
    size = rng.uniform(0.15, 0.4, DEPOTS)[:, None]
    late = rng.normal(0, 0.5, DEPOTS)[:, None]
    return np.exp(size * np.cos(2 * np.pi * (month - late) / 12))


def _first_ages(units: int, rng: np.random.Generator) -> np.ndarray:
    """Return ages at the start: a steady share, and three programmes [months]."""
    groups = MODELS * DEPOTS
    count = np.maximum(rng.dirichlet(np.full(groups, 4.0)) * units, 200).astype(int)
    made = np.zeros((groups, OLDEST), np.int64)
    for group in range(groups):
        steady = rng.integers(0, 150, count[group])
        middle = rng.integers(6, 140, 3)[rng.integers(0, 3, count[group])]
        clumped = np.clip(middle + rng.normal(0, 6, count[group]), 0, 200)
        ages = np.where(rng.random(count[group]) < 0.5, steady, clumped).astype(int)
        made[group] = np.bincount(ages, minlength=OLDEST)[:OLDEST]
    return made


def world(kind: str, seed: int, units: int = 100_000, spread: float = 0.1) -> World:
    """Let one world happen.

    Parameters
    ----------
    kind
        ``weibull`` or ``mixture``.
    seed, units, spread
        Of the draws; parts standing; spread of good and bad months [log].
    """
    rng = np.random.default_rng(seed)
    hazard = np.diff(_cumulative(kind, rng), axis=1)
    season = _season(rng)
    level = np.exp(rng.normal(-(spread**2) / 2, spread, season.shape))
    mix = _first_ages(units, rng)
    model = np.repeat(np.arange(MODELS), DEPOTS)
    depot = np.tile(np.arange(DEPOTS), MODELS)
    demand = np.zeros((MODELS * DEPOTS, HISTORY + AHEAD), np.int64)
    rows = []
    for month in range(HISTORY + AHEAD):
        if month == HISTORY:
            standing = mix.copy()
        factor = (season * level)[depot, month]
        lost = rng.binomial(mix, -np.expm1(-hazard[model] * factor[:, None]))
        demand[:, month] = lost.sum(axis=1)
        if month < HISTORY:
            group, age = np.nonzero(lost)
            rows.append(np.column_stack([group, month - age, lost[group, age],
                                         np.full(group.size, month)]))  # fmt: skip
        mix = np.roll(mix - lost, 1, axis=1)
        mix[:, 0] = demand[:, month]
    ended = np.concatenate(rows)
    group, age = np.nonzero(standing)
    still = np.column_stack(
        [group, HISTORY - age, standing[group, age], np.full(group.size, HISTORY)]
    )
    return World(demand, _lives(ended, still), standing, hazard, season)


def _lives(ended: np.ndarray, still: np.ndarray) -> pd.DataFrame:
    """Return a row a part: watched from the start of the register or its fitting."""
    parts = []
    for rows, used in ((ended, True), (still, False)):
        group, born, count, end = np.repeat(rows, rows[:, 2], axis=0).T
        del count
        new = born > 0
        parts.append(
            pd.DataFrame(
                {
                    "group": group,
                    "born_low": FIRST_MONTH + born + np.where(new, 0.0, 0.5),
                    "start": FIRST_MONTH + np.maximum(born, 0).astype(float),
                    "end": FIRST_MONTH + end + (0.5 if used else 0.0),
                    "used": used,
                }
            )
        )
    lives = pd.concat(parts, ignore_index=True)
    model, depot = lives["group"] // DEPOTS, lives["group"] % DEPOTS
    return lives.assign(
        kind="part",
        model="M" + model.astype(str),
        type="T" + model.astype(str),
        depot="D" + depot.astype(str),
        volts_class="",
        born_high=lives["born_low"],
        standing=~lives["used"],
        entered=False,
        begun_by_programme=False,
        ended_by_programme=False,
        seen_to_end=True,
    )


def fitted_model(lived: World, months: int = AHEAD) -> KindModel:
    """Fit the world's history as the stock room does; like replaces like."""
    names = [f"M{i}" for i in range(MODELS)]
    depots = tuple(f"D{i}" for i in range(DEPOTS))
    now = float(FIRST_MONTH + HISTORY)
    uses = Uses(pd.DataFrame(), lived.lives, FIRST_MONTH, now, now)
    none = pd.DataFrame(columns=["model", "month", "removed_type", "removed"])
    shares = sharing(none, uses.as_of_month, names)
    weather = Climate(FIRST_MONTH, np.zeros((DEPOTS, HISTORY, 0)), np.eye(4)[0])
    types = {name: f"T{i}" for i, name in enumerate(names)}
    made = kind_model("part", uses, depots, types, shares, weather, months)
    assert made is not None
    return made


def ahead(paths: int, seed: int, months: int = AHEAD) -> Ahead:
    """Return the months ahead, without weather or programmes."""
    rng = np.random.default_rng(seed)
    pace = {name: rng.standard_normal(paths) for name in ("programme", "lights")}
    lively = {name: np.ones(months) for name in pace}
    weather = np.zeros((paths, DEPOTS, months, 0))
    first = FIRST_MONTH + HISTORY
    return Ahead(first, months, 1.0, paths, weather, pace, lively)
