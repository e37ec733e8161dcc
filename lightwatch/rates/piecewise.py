"""Fit a piecewise-exponential hazard to Lexis cells.

The log hazard is a part by age plus a part by group and calendar month, so the
expected failures of all cells are an outer product with the exposure, and each Newton
step costs two matrix products, however many lives there are. Poisson likelihood of
cells: [1]_, [2]_.

References
----------
.. [1] T. R. Holford, Biometrics 36 (1980), 299-305; from memory.
.. [2] N. Laird, D. Olivier, Journal of the American Statistical Association 76 (1981),
   231-240; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.cells import Cells
from lightwatch.rates.latent_months import Spread, share, spread
from lightwatch.rates.splines import KNOTS_MONTHS, spline_for
from lightwatch.rates.weather_model import Gap, HazardModel, Layout

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_FAILURES = 10
"""Fewer failures than this are not fitted."""

RIDGE_SD = 1.5
"""Spread of the weak prior on bends of the spline and effects of levels [log]."""

EM_STEPS = 4
MOST_STEPS = 60
LONGEST_STEP = 3.0
"""Greatest change of a log hazard in one step."""

CLOSE = 1e-9
SHORTER = 0.1
"""Each step should be so much of the one before."""


@dataclass(frozen=True)
class _Seen:
    """Failures by age and by place, and all time under watch, at some terms."""

    by_age: Floats
    by_place: Floats
    exposure: Floats
    lost: Floats
    log_likelihood: float


@dataclass(frozen=True)
class _Problem:
    """What a fit works on: terms of ages and places, exposure, failures."""

    ages: Floats
    places: Floats
    offsets: Floats
    exposure: Floats
    failures: tuple[Floats, Floats]
    where: Spread | None
    known: Bools
    ridge: Floats

    def by_terms(self, terms: Floats) -> tuple[Floats, Floats]:
        split = self.ages.shape[1]
        return self.ages @ terms[:split], self.places @ terms[split:]

    def log_hazard(self, terms: Floats) -> tuple[Floats, Floats]:
        by_age, by_place = self.by_terms(terms)
        return by_age, by_place + self.offsets

    def seen(self, terms: Floats, *, lost: bool) -> _Seen:
        """Return failures as known, or as shared over months at these terms."""
        if self.where is None:
            return _Seen(*self.failures, self.exposure, np.zeros((0, 0)), 0.0)
        columns = (self.ages, self.places, self.known) if lost else None
        found = share(self.where, self.log_hazard(terms), columns, self.exposure.shape)
        failures = found.failures * self.known
        return _Seen(
            failures.sum(axis=1),
            failures.sum(axis=0),
            self.exposure + found.exposure * self.known,
            found.lost,
            found.log_likelihood,
        )


def _delay_table(cells: Cells, delay: npt.ArrayLike | None) -> Floats | None:
    if cells.delay_months == 1:
        if delay is not None:
            raise NotUnderstood("a delay table needs cells made with delay_months > 1")
        return None
    if delay is None:
        raise NotUnderstood("cells of latent months need a delay table")
    table = np.atleast_2d(np.asarray(delay, dtype=np.float64))
    if table.shape[1] != cells.delay_months:
        raise NotUnderstood(
            f"the delay table spans {table.shape[1]} months, the cells "
            f"{cells.delay_months}"
        )
    if table.min() < 0 or table.sum(axis=1).max() > 1 + 1e-9:
        raise NotUnderstood("rows of the delay table must be chances, at most 1 in all")
    return table


def _likely_known(cells: Cells, delay: Floats) -> Floats:
    """Return, by month, how likely a failure in it is known by the end."""
    rows = cells.failures.delay_class
    mix = np.bincount(rows, cells.failures.count, delay.shape[0])
    by_then = np.cumsum((mix / mix.sum()) @ delay)
    months = cells.shape[2]
    left = np.minimum(np.arange(months)[::-1], by_then.size - 1)
    return np.asarray(by_then[left])


def _failures_by_cell(cells: Cells) -> Floats:
    ages, groups, months = cells.shape
    known = cells.failures
    age = cells.band(np.maximum(known.noticed_month - known.birth_month, 0))
    place = (age * groups + known.group) * months + known.noticed_month
    counted = np.bincount(place, known.count, ages * groups * months)
    return np.asarray(counted, np.float64).reshape(ages, groups * months)


def _layout(
    cells: Cells,
    weather: npt.ArrayLike | None,
    station: npt.ArrayLike | None,
    level: npt.ArrayLike | None,
    harmonics: int,
    knots_months: tuple[float, ...],
    offset: npt.ArrayLike | None,
) -> Layout:
    _, groups, months = cells.shape
    none = np.zeros((1, months, 0))
    days = none if weather is None else np.asarray(weather, dtype=np.float64)
    if days.ndim != 3 or days.shape[1] != months:
        raise NotUnderstood(
            f"weather of shape {days.shape} does not fit {months} months "
            "(expected stations by months by covariates)"
        )
    at = np.zeros(groups, np.int64) if station is None else np.asarray(station, int)
    effect = np.arange(groups) if level is None else np.asarray(level, int)
    if at.shape != (groups,) or effect.shape != (groups,) or at.max() >= len(days):
        raise NotUnderstood("each group needs one station and one level")
    if np.isnan(days).any(axis=2).all():
        raise NotEnoughEvidence("there is no weather in any month")
    known = np.zeros(months) if offset is None else np.asarray(offset, dtype=np.float64)
    if known.shape != (months,) or not np.isfinite(known).all():
        raise NotUnderstood(
            f"the offset needs a finite number for each of {months} months"
        )
    by_age = cells.exposure.sum(axis=(1, 2))
    return Layout(
        spline_for(cells.middle_months, by_age, knots_months),
        days,
        np.nanmean(days, axis=(0, 1)),
        at.astype(np.int64),
        effect.astype(np.int64),
        harmonics,
        known,
    )


def _problem(
    cells: Cells, layout: Layout, delay: Floats | None, ridge_sd: float | None
) -> _Problem:
    ages, groups, months = cells.shape
    places, known = layout.places()
    exposure = cells.exposure
    if delay is not None:
        likely = _likely_known(cells, delay)
        exposure = exposure - cells.still_watched * (1 - likely)
    exposure = exposure.reshape(ages, groups * months) * known
    basis = layout.spline.columns(cells.middle_months)
    if np.count_nonzero(cells.exposure.sum(axis=(1, 2))) < 2:
        basis = basis[:, :0]
    ridge = np.zeros(basis.shape[1] + layout.width)
    if ridge_sd is not None:
        ridge[1 : basis.shape[1]] = ridge_sd**-2
        first = basis.shape[1]
        ridge[first + 1 : first + layout.levels] = ridge_sd**-2
    counted = _failures_by_cell(cells) * known
    failures = counted.sum(axis=1), counted.sum(axis=0)
    where = None if delay is None else spread(cells, delay)
    return _Problem(
        basis, places, layout.offsets, exposure, failures, where, known, ridge
    )


def _score_and_information(
    problem: _Problem, terms: Floats, seen: _Seen
) -> tuple[Floats, Floats]:
    """Return the score and the information of the complete data."""
    ages, places = problem.ages, problem.places
    by_age, by_place = problem.log_hazard(terms)
    rate, ratio = np.exp(by_age), np.exp(by_place) * problem.known
    weighted = np.column_stack([rate, ages * rate[:, None]]).T @ seen.exposure
    of_age = rate * (seen.exposure @ ratio)
    of_place = ratio * weighted[0]
    score = np.concatenate(
        [ages.T @ (seen.by_age - of_age), places.T @ (seen.by_place - of_place)]
    )
    across = weighted[1:] @ (places * ratio[:, None])
    information = np.block(
        [
            [(ages * of_age[:, None]).T @ ages, across],
            [across.T, (places * of_place[:, None]).T @ places],
        ]
    )
    return score - problem.ridge * terms, information


def _log_likelihood(problem: _Problem, terms: Floats, seen: _Seen) -> float:
    by_age, by_place = problem.log_hazard(terms)
    certain = np.exp(by_age) @ problem.exposure @ (np.exp(by_place) * problem.known)
    if problem.where is not None:
        return float(seen.log_likelihood - certain)
    return float(seen.by_age @ by_age + seen.by_place @ by_place - certain)


def _solve(information: Floats, score: Floats) -> Floats:
    return np.asarray(cho_solve(cho_factor(information), score))


def _step(problem: _Problem, terms: Floats, seen: _Seen, lost: Floats) -> Floats:
    """Return a Newton step on the likelihood or, with nothing lost, an M-step."""
    score, complete = _score_and_information(problem, terms, seen)
    prior = np.diag(problem.ridge)
    step = None
    if lost.size:
        try:
            step = _solve(complete - lost + prior, score)
        except LinAlgError:
            step = None
    if step is None:
        try:
            step = _solve(complete + prior, score)
        except LinAlgError:
            raise NotEnoughEvidence(_SINGULAR) from None
    return step


_SINGULAR = (
    "what was seen cannot tell the effects apart (expected weather that varies, and "
    "failures at more than one age)"
)


def _climb(problem: _Problem, terms: Floats, em_steps: int) -> tuple[Floats, int]:
    """Return the terms at the top.

    What not knowing the months costs hardly changes near the top: it is worked out
    anew only where steps do not shorten as they should.
    """
    watched = problem.exposure.sum(axis=1) > 0
    lost, change, before = np.zeros((0, 0)), np.inf, np.inf
    for rounds in range(1, MOST_STEPS + 1):
        latent = problem.where is not None and rounds > em_steps
        anew = latent and (not lost.size or change > SHORTER * before)
        seen = problem.seen(terms, lost=anew)
        lost = seen.lost if anew else lost
        step = _step(problem, terms, seen, lost)
        by_age, by_place = problem.by_terms(step)
        before, change = (
            change,
            float(np.abs(by_age[watched]).max() + np.abs(by_place).max()),
        )
        terms = terms + step * min(1.0, LONGEST_STEP / max(change, LONGEST_STEP))
        if change < CLOSE:
            return terms, rounds
    raise NotEnoughEvidence("the fit did not settle: too little was seen for its terms")


def _covariance(information: Floats) -> Floats:
    try:
        return _solve(information, np.eye(information.shape[0]))
    except LinAlgError:
        raise NotEnoughEvidence(_SINGULAR) from None


def _start(problem: _Problem, failures: float) -> Floats:
    terms = np.zeros(problem.ages.shape[1] + problem.places.shape[1])
    terms[problem.ages.shape[1]] = np.log(failures / problem.exposure.sum())
    return terms


def _gaps(cells: Cells, problem: _Problem, layout: Layout, terms: Floats) -> list[Gap]:
    """Return months without weather, with what was left out of the fit."""
    missing = np.isnan(layout.weather).any(axis=2)
    if not missing.any():
        return []
    _, groups, months = cells.shape
    watched = cells.exposure.sum(axis=0)
    failed = _all_failures(cells, problem, terms).sum(axis=0).reshape(groups, months)
    found = []
    for station, month in np.argwhere(missing):
        here = layout.station == station
        seen, lost = watched[here, month].sum(), failed[here, month].sum()
        if seen > 0 or lost > 0:
            found.append(Gap(int(station), int(month), float(seen), float(lost)))
    return found


def _all_failures(cells: Cells, problem: _Problem, terms: Floats) -> Floats:
    if problem.where is None:
        return _failures_by_cell(cells)
    hazard = problem.log_hazard(terms)
    return share(problem.where, hazard, None, problem.exposure.shape).failures


def fit_hazard(
    cells: Cells,
    weather: npt.ArrayLike | None,
    *,
    station: npt.ArrayLike | None = None,
    level: npt.ArrayLike | None = None,
    delay: npt.ArrayLike | None = None,
    harmonics: int = 0,
    knots_months: tuple[float, ...] = KNOTS_MONTHS,
    ridge_sd: float | None = RIDGE_SD,
    offset: npt.ArrayLike | None = None,
    start: Floats | None = None,
) -> HazardModel:
    """Fit a hazard by age, level and weather in the month of failing.

    Parameters
    ----------
    cells
        Exposure and failures.
    weather
        Stations by months by covariates [days]: freeze-thaw days, wet days. NaN where
        there is none: such months are left out with all that falls into them, and
        told in ``gaps``. None: a hazard by age and level only.
    station, level
        Of each group; by default one station, and a level a group. Levels that differ
        by station keep what else differs between places out of the weather ratios.
    delay
        Chance of being noticed so many months after failing, classes by months; needed
        where the cells were made with ``delay_months`` above 1.
    harmonics
        Pairs of season terms beside the weather.
    knots_months
        Ages at which the hazard may bend [months].
    ridge_sd
        Spread of the weak prior on bends and levels [log]; none: no prior.
    offset
        Known part of the log hazard by month, where a month counts for more or less
        than its time: the log of the hours lit against those of a mean month.
    start
        Terms of a like fit to begin from.

    Returns
    -------
    HazardModel
        By maximum likelihood; with latent months, of what was noticed, by EM and then
        Newton steps with the observed information.

    Raises
    ------
    NotEnoughEvidence
        Too few failures, or nothing varies.
    NotUnderstood
        Cells, weather and delays do not fit together.

    Notes
    -----
    A failure still unnoticed at the end is allowed for to first order: the exposure of
    lives under watch to the end counts by the chance that a failure in that month would
    be known by the end. Within the interval of a failure, months count whole and the
    month of failing half.
    """
    table = _delay_table(cells, delay)
    failures = float(cells.failures.count.sum())
    if failures < LEAST_FAILURES:
        raise NotEnoughEvidence(
            f"{failures:g} failures are too few for a hazard by age and weather "
            f"(expected {LEAST_FAILURES} or more)"
        )
    layout = _layout(cells, weather, station, level, harmonics, knots_months, offset)
    problem = _problem(cells, layout, table, ridge_sd)
    begin = _start(problem, failures) if start is None else start
    terms, rounds = _climb(problem, begin, 0 if start is not None else EM_STEPS)
    seen = problem.seen(terms, lost=True)
    _, information = _score_and_information(problem, terms, seen)
    if table is not None:
        information = information - seen.lost
    covariance = _covariance(information + np.diag(problem.ridge))
    ages = np.flatnonzero(cells.exposure.sum(axis=(1, 2)))
    return HazardModel(
        layout,
        terms,
        covariance,
        _log_likelihood(problem, terms, seen),
        float(seen.by_age.sum()),
        float(seen.exposure.sum()),
        float(cells.age_edges_months[ages[-1] + 1]) / 12,
        tuple(_gaps(cells, problem, layout, terms)),
        rounds,
    )
