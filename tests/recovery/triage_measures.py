"""What a study of triage says: each measure with its Monte Carlo standard error.

References
----------
.. [1] G. W. Brier, Monthly Weather Review 78 (1950) 1-3.
.. [2] B. Efron, Annals of Statistics 7 (1979) 1-26: the bootstrap; whole mornings of a
   city are drawn again, for what is on one circuit that morning hangs together.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score, brier_score_loss

from tests.recovery.triage_study import LIKELY, Study

Floats = NDArray[np.float64]
BINS = 10
MANY = 36
DRAWS = 200


@dataclass(frozen=True)
class Measure:
    """A measure, its standard error, and of how many it is."""

    value: float
    error: float
    of: int

    def __str__(self) -> str:
        if not np.isfinite(self.value):
            return f"{'-':>13}"
        return f"{self.value:6.3f} ±{self.error:5.3f}"


Value = Callable[[pd.DataFrame], tuple[float, int]]


def _share(part: pd.Series[bool], whole: pd.Series[bool]) -> tuple[float, int]:
    count = int(whole.sum())
    return (float((part & whole).sum()) / count if count else np.nan), count


def precision(flag: str) -> Value:
    """Return how to find the share of flagged circuits that are positive."""
    return lambda rows: _share(rows["positive"], rows[flag])


def recall(flag: str, of: str = "positive") -> Value:
    """Return how to find the share of positive circuits that are flagged."""
    return lambda rows: _share(rows[flag], rows[of])


def f_score(flag: str) -> Value:
    """Return how to find the harmonic mean of precision and recall."""

    def value(rows: pd.DataFrame) -> tuple[float, int]:
        both = int((rows[flag] & rows["positive"]).sum())
        total = int(rows[flag].sum() + rows["positive"].sum())
        return (2 * both / total if total else np.nan), int(rows["positive"].sum())

    return value


def calibration_error(chance: Floats, true: Floats, bins: int = BINS) -> float:
    """Return the mean gap of chance and truth over bins of equal width."""
    which = np.minimum((chance * bins).astype(int), bins - 1)
    said = np.bincount(which, chance, bins)
    was = np.bincount(which, true, bins)
    return float(np.abs(said - was).sum() / len(chance))


def brier(chance: Floats, true: Floats) -> float:
    """Return the mean squared error of chances."""
    return float(brier_score_loss(true, chance))


def _judged(rows: pd.DataFrame) -> tuple[Floats, Floats]:
    some = rows[rows["judged"]]
    return some["chance"].to_numpy(float), some["positive"].to_numpy(float)


def _calibration(rows: pd.DataFrame) -> tuple[float, int]:
    chance, true = _judged(rows)
    return calibration_error(chance, true), len(true)


def _brier_ratio(rows: pd.DataFrame) -> tuple[float, int]:
    chance, true = _judged(rows)
    usual = float(true.mean() * (1 - true.mean()))
    return (brier(chance, true) / usual if usual else np.nan), len(true)


def _sum_ratio(rows: pd.DataFrame) -> tuple[float, int]:
    chance, true = _judged(rows)
    return (float(chance.sum() / true.sum()) if true.any() else np.nan), len(true)


def average_precision(score: Callable[[pd.DataFrame], pd.Series[float]]) -> Value:
    """Return how to find the average precision of a ranking of judged circuits.

    Of positive circuits on which nothing is known to be open none is ever found.
    """

    def value(rows: pd.DataFrame) -> tuple[float, int]:
        some = rows[rows["judged"]]
        positive = some["positive"]
        if not positive.any():
            return np.nan, 0
        found = float(average_precision_score(positive, score(some)))
        return found * float(positive.sum() / rows["positive"].sum()), len(some)

    return value


def _lights(part: str, whole: str) -> Value:
    def value(rows: pd.DataFrame) -> tuple[float, int]:
        total = int(rows[whole].sum())
        return (float(rows[part].sum()) / total if total else np.nan), total

    return value


def _alike(rows: pd.DataFrame) -> tuple[float, int]:
    some = rows.loc[rows["detectable"], "alike"]
    return (float(some.mean()) if len(some) else np.nan), len(some)


CIRCUITS: dict[str, Value] = {
    "precision": precision("flagged"),
    "recall of all": recall("flagged"),
    "recall of detectable": recall("flagged", "detectable"),
    "F1": f_score("flagged"),
    "average precision": average_precision(lambda rows: rows["chance"]),
    "calibration error": _calibration,
    "Brier / base rate's": _brier_ratio,
    "sum P / positives": _sum_ratio,
    "lights: precision": _lights("both", "said"),
    "lights: recall": _lights("both", "true"),
    "lights out: precision": _lights("both_known", "said_known"),
    "lights out: recall": _lights("both_known", "true_known"),
    "dark set: Jaccard": _alike,
    "AP of counting": average_precision(lambda rows: rows["known"]),
    "AP of beta-binomial": average_precision(lambda rows: -rows["excess"]),
}


def _mean(column: str, most: float | None = None) -> Value:
    def value(rows: pd.DataFrame) -> tuple[float, int]:
        if rows.empty:
            return np.nan, 0
        found = rows[column] if most is None else rows[column] <= most
        return float(found.mean()), len(rows)

    return value


def _of_flagged(one: Value) -> Value:
    return lambda rows: one(rows[rows["flagged"].astype(bool)])


FAULTS: dict[str, Value] = {
    "section: top 1": _mean("rank", 1),
    "section: top 3": _mean("rank", 3),
    "same lamps: top 1": _mean("rank_same", 1),
    "same lamps: top 3": _mean("rank_same", 3),
    "Jaccard >= .8: top 1": _mean("rank_alike", 1),
    "Jaccard >= .8: top 3": _mean("rank_alike", 3),
    "P of top": _mean("top"),
    "tests to one section": _of_flagged(_mean("tests")),
    f"tests, >= {MANY} sections": lambda rows: _of_flagged(_mean("tests"))(
        rows[rows["sections"] >= MANY]
    ),
    "tests to 95 %": _of_flagged(_mean("tests_sure")),
    "95 %: right": _of_flagged(_mean("right")),
}


def baselines(rows: pd.DataFrame) -> list[str]:
    """Return the names of the baselines."""
    start = ("count", "DBSCAN", "beta-binomial")
    return [name for name in rows.columns if name.startswith(start)]


def measured(rows: pd.DataFrame, value: Value, seed: int = 0) -> Measure:
    """Return a measure with its standard error, by drawing mornings again."""
    found, of = value(rows)
    where = list(rows.groupby(["seed", "morning"]).indices.values())
    rng = np.random.default_rng(seed)
    drawn = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        for _ in range(DRAWS if of and len(where) > 1 else 0):
            which = rng.integers(len(where), size=len(where))
            some = rows.iloc[np.concatenate([where[i] for i in which])]
            drawn.append(value(some)[0])
    kept = np.array(drawn)[np.isfinite(drawn)] if drawn else np.zeros(0)
    return Measure(found, float(kept.std()) if kept.size else np.nan, of)


def scored(study: Study, *, visited: bool = True) -> pd.DataFrame:
    """Return the circuits that are scored: judged, or positive though not judged.

    Parameters
    ----------
    study
        What was judged.
    visited
        Also those whose feed a crew was at and left open.
    """
    rows = study.circuits
    rows = rows[rows["judged"] | rows["positive"]]
    rows = rows[~rows["off_record"] & (visited | ~rows["visited"])]
    return rows.assign(flagged=rows["chance"] > LIKELY)


def measures(study: Study, *, visited: bool = True) -> dict[str, Measure]:
    """Return every measure of triage; see :func:`scored`."""
    rows, faults = scored(study, visited=visited), study.faults
    faults = faults[visited | ~faults["visited"]] if len(faults) else faults
    return {name: measured(rows, value) for name, value in CIRCUITS.items()} | {
        name: measured(faults, value) for name, value in FAULTS.items() if len(faults)
    }
