"""How long each kind lasts: a Weibull life per kind and type, a weather model per kind.

The Weibull life is that of the weather as it was; where the kind has a weather model,
its scale is brought to the mean month of the register's time. A kind whose failures
follow the hours for which lights are lit ages by them: its years are mean years of
burning.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from lightwatch.detection import Detection, detection
from lightwatch.errors import LightwatchError, NotEnoughEvidence
from lightwatch.lives import Lives
from lightwatch.lives.burning import BURNS, HoursLit, hours_lit
from lightwatch.lives.exposure import Weather, month_of, monthly_weather
from lightwatch.lives.intervals import intervals
from lightwatch.lives.settled import settled, settling_days
from lightwatch.nights import DAY, YEAR
from lightwatch.rates.cells import Cells, cells
from lightwatch.rates.clocks import Clock, LitLife, lit_lives
from lightwatch.rates.delays import monthly_delays
from lightwatch.rates.goodness import Goodness, goodness
from lightwatch.rates.nonparametric import SurvivalCurve, kaplan_meier
from lightwatch.rates.partitions import Keep, here
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.profile import Limits
from lightwatch.rates.weather_gaps import WeatherGap, weather_gaps
from lightwatch.rates.weather_model import COVARIATES, HazardModel, Ratio
from lightwatch.rates.weibayes import weibayes
from lightwatch.rates.weibull import fit_weibull
from lightwatch.rates.weibull_life import WeibullFit
from lightwatch.rates.weighed import apart, of_failures, weibull_rows
from lightwatch.words import SUPPLY

LEAST_FAILURES = 5
LEAST_FOR_WEATHER = 100
DELAY_MONTHS = 18
_USED = (
    "light_id", "kind", "type", "weight", "installed", "installed_last", "start", "end",
    "low", "high", "earliest", "symptom", "failed", "counted", "stopped",
)  # fmt: skip
_BOUNDS = ("born", "start", "low", "high")
_FITTED = (
    "kind", "type", "weight", "share", "failed", "counted", "entry_age", "low_age",
    "high_age",
)  # fmt: skip
_PARTS_OF_A_YEAR = 4
"""A life installed in a year, day unknown, counts as this many parts of one."""


@dataclass(frozen=True)
class LifeFit:
    """The fitted life of one kind and type."""

    kind: str
    type: str
    lives: int
    failures: int
    weibull: WeibullFit
    shape: Limits
    """Of the Weibull's shape, by profile likelihood."""
    curve: SurvivalCurve | None = None
    """Nonparametric survival; None for cable and line."""
    goodness: Goodness | None = None
    to_mean_weather: float = 1.0
    """Factor on the scale that brings it to the mean weather."""
    by_burning: bool = False
    """Whether its years are years of hours lit."""


@dataclass(frozen=True)
class LeftOut:
    """What could not be fitted, or used, and why."""

    kind: str
    type: str
    lives: int
    failures: int
    reason: str


@dataclass(frozen=True)
class LifeModels:
    """Fitted lives, weather ratios, and what was left out."""

    fits: tuple[LifeFit, ...]
    weather: dict[str, HazardModel]
    left_out: tuple[LeftOut, ...]
    detection: Detection
    gaps: tuple[WeatherGap, ...] = ()
    """Months without weather, left out of the weather models."""
    lit: tuple[LitLife, ...] = ()
    """What burns, by hours lit."""
    hours_lit: HoursLit | None = None
    """At the place; None where there are no lights."""

    def ratios(self) -> Iterator[tuple[str, str, Ratio]]:
        """Yield kind, covariate and hazard ratio per day more in the month."""
        for kind, model in sorted(self.weather.items()):
            for covariate in COVARIATES:
                yield kind, covariate, model.ratio(covariate)


def _aged(lives: Lives, detected: Detection) -> pd.DataFrame:
    """Return lives with ages in years; a date known to the year is spread over it."""
    frame = settled(lives, intervals(lives, detected), detected)[list(_USED)]
    wide = (frame["installed_last"] - frame["installed"]) / YEAR > 0.5
    spread = frame[wide]
    parts = [frame[~wide].assign(share=1.0, at=0.5)]
    for i in range(_PARTS_OF_A_YEAR):
        part = (i + 0.5) / _PARTS_OF_A_YEAR
        parts.append(spread.assign(share=1.0 / _PARTS_OF_A_YEAR, at=part))
    frame = pd.concat([part for part in parts if len(part)])
    born = frame["installed"] + frame["at"] * (
        frame["installed_last"] - frame["installed"]
    )
    born = np.minimum(born, frame["start"])
    return frame.assign(
        born=born,
        entry_age=(frame["start"] - born) / YEAR,
        low_age=(frame["low"] - born) / YEAR,
        high_age=(frame["high"] - born) / YEAR,
    )


def _fit(kind: str, name: str, some: pd.DataFrame, keep: Keep) -> LifeFit | LeftOut:
    dated = some[some["entry_age"].notna()]
    used = dated[dated["high_age"] > dated["entry_age"]]
    failures = round(float((dated["counted"] * dated["share"]).sum()))
    count = round(float(dated["share"].sum()))
    seen = round(float((used["failed"] * used["share"]).sum()))
    if seen < LEAST_FAILURES:
        reason = f"{seen} failures are too few to fit a life (5 or more)"
        return LeftOut(kind, name, count, failures, reason)
    try:
        fitted = fit_weibull(**weibull_rows(used), keep=keep)
        shape = fitted.limits("shape")
    except LightwatchError as error:
        return LeftOut(kind, name, count, failures, str(error))
    found = LifeFit(kind, name, count, failures, fitted, shape)
    return found if kind in SUPPLY else _held_against(found, used)


def _bounded(left: LeftOut, some: pd.DataFrame, fits: Sequence[LifeFit]) -> LeftOut:
    """Say how long it lasts at least, if it wears as others of its kind do."""
    shapes = [one.weibull.shape for one in fits if one.kind == left.kind]
    used = some[some["entry_age"].notna() & (some["high_age"] > some["entry_age"])]
    if not shapes or used.empty:
        return left
    shape = round(float(np.median(shapes)), 2)
    rows = weibull_rows(used)
    try:
        bound = weibayes(shape=shape, **rows)
    except LightwatchError:
        return left
    years = float(bound.quantile_low(0.1))
    return replace(
        left,
        reason=f"{left.reason}; if it wears as other types of its kind do (shape "
        f"{shape:.2f}, assumed), a tenth have failed after {years:.1f} years at the "
        "earliest (95 %)",
    )


def _held_against(fit: LifeFit, used: pd.DataFrame) -> LifeFit:
    """Add the nonparametric curve, and whether the fit agrees with what was seen."""
    failed = used["failed"].to_numpy(bool)
    entry, high = used["entry_age"].to_numpy(float), used["high_age"].to_numpy(float)
    middle = (np.maximum(used["low_age"].to_numpy(float), entry) + high) / 2
    leave = np.where(failed & (middle > entry), middle, high)
    weights = used["share"].to_numpy(float)
    recorded = used["weight"].to_numpy(float)
    if (recorded != 1.0).any():
        entry, leave, failed, weights = apart(entry, leave, failed, weights, recorded)
    return replace(
        fit,
        curve=kaplan_meier(entry, leave, failed, weights=weights),
        goodness=goodness(fit.weibull, entry, leave, failed, weights),
    )


def _undated(kind: str, name: str, some: pd.DataFrame) -> LeftOut | None:
    lost = some[some["entry_age"].isna()]
    if lost.empty:
        return None
    reason = "installation date unknown: time and failures count in rates, not in lives"
    return LeftOut(kind, name, len(lost), int(lost["counted"].sum()), reason)


def _cells(
    lives: Lives, some: pd.DataFrame, weather: Weather, symptoms: list[str]
) -> tuple[Cells, np.ndarray]:
    """Return exposure and failures in cells, with the station of each group.

    ``some`` have their ``station``, numbered in the order of the weather.

    A group is a type at a station, with a level of its own: what else differs from
    place to place must not pass for weather.
    """
    stations = len(weather.stations)
    level, types = pd.factorize(some["type"], sort=True)
    group = level * stations + some["station"].to_numpy(int)
    first = weather.first_month
    failed = some["failed"].to_numpy(bool)
    until = lives.register.watched_until - settling_days(lives) * DAY
    open_end = ~failed & some["stopped"] & (some["end"] >= until)
    exit_month = month_of(some["end"].where(open_end, some["high"])) - first
    delay = some["symptom"].map({name: i for i, name in enumerate(symptoms)})
    months = weather.days.shape[1]
    made = cells(
        np.floor(month_of(some["born"])).astype(int) - first,
        np.clip(month_of(some["start"]) - first, 0, months),
        np.clip(exit_month, 0, months),
        failed,
        group,
        n_months=months,
        n_groups=len(types) * stations,
        earliest_month=np.floor(month_of(some["earliest"])).astype(int) - first,
        delay_class=delay.fillna(len(symptoms)).astype(int).to_numpy(),
        delay_months=DELAY_MONTHS,
        until_month=float(month_of(until) - first),
        weight=(some["share"] * some["weight"]).to_numpy(float),
        failure_weight=of_failures(some),
    )
    return made, np.arange(len(types) * stations) % stations


def _weather_model(
    lives: Lives,
    some: pd.DataFrame,
    weather: Weather,
    detected: Detection,
    lit: HoursLit | None,
) -> tuple[HazardModel, Clock | None]:
    """Return the model of a kind, by the clock by which it ages.

    ``lit`` is None of what does not burn.
    """
    symptoms = sorted(set(some.loc[some["failed"], "symptom"]) - {""})
    table = np.vstack(
        [detected.noticed_within(name) for name in symptoms]
        + [np.ones_like(detected.noticed_within("out"))]
    )
    made, station = _cells(lives, some, weather, symptoms)
    delay = monthly_delays(table, DELAY_MONTHS)
    by_calendar = fit_hazard(made, weather.days, station=station, delay=delay)
    if lit is None:
        return by_calendar, None
    offset = lit.log_share(weather.first_month, weather.days.shape[1])
    try:
        by_burning = fit_hazard(
            made,
            weather.days,
            station=station,
            delay=delay,
            offset=offset,
            start=by_calendar.terms,
        )
    except NotEnoughEvidence:
        return by_calendar, None
    clock = Clock(by_burning.log_likelihood - by_calendar.log_likelihood)
    return (by_burning if clock.is_burning else by_calendar), clock


def _weather_models(
    lives: Lives,
    aged: pd.DataFrame,
    weather: Weather,
    detected: Detection,
    lit: HoursLit | None,
) -> tuple[dict[str, HazardModel], dict[str, Clock], list[LeftOut]]:
    """Return models and clocks by kind, and which could not be fitted."""
    clocks: dict[str, Clock] = {}
    models: dict[str, HazardModel] = {}
    left_out: list[LeftOut] = []
    number = {name: i for i, name in enumerate(weather.stations)}
    near = pd.Series(lives.register.nearest_station, dtype=object).map(number)
    dated = aged["entry_age"].notna() & (aged["high"] > aged["start"])
    some = aged[dated & (aged["light_id"] != "")]
    station = some["light_id"].map(near).fillna(0).astype(int)
    for kind, usable in some.assign(station=station).groupby("kind", sort=True):
        if usable["failed"].sum() < LEAST_FOR_WEATHER or not weather.stations:
            continue
        burnt = lit if kind in BURNS else None
        try:
            found = _weather_model(lives, usable, weather, detected, burnt)
        except NotEnoughEvidence as error:
            left_out.append(LeftOut(str(kind), "weather", 0, 0, str(error)))
            continue
        models[str(kind)] = found[0]
        if found[1] is not None:
            clocks[str(kind)] = found[1]
    return models, clocks, left_out


def _mean_factor(model: HazardModel) -> float:
    """Return the mean hazard over the months as they were, against the mean month."""
    days = model.layout.weather - model.layout.mean_weather
    effects = np.array([model.log_ratio(name)[0] for name in COVARIATES])
    ratio = np.exp(days @ effects)
    lit = np.where(np.isnan(ratio), 0.0, np.exp(model.layout.offset))
    return float(np.nansum(ratio * lit) / lit.sum())


def life_models(lives: Lives, keep: Keep = here) -> LifeModels:
    """Fit a Weibull life per kind and type, and a weather model per kind.

    Only kinds with at least 100 failures on lights get a weather model; types with
    fewer than 5 failures are left out, and told.

    Parameters
    ----------
    lives
        Life data.
    keep
        Where Weibull fits sum over lives: here, or on a cluster.
    """
    detected = detection(lives.register)
    if lives.frame.empty:
        return LifeModels((), {}, (), detected)
    aged = _aged(lives, detected)
    weather = monthly_weather(lives.register.known, lives.register.watched_until)
    lit = hours_lit(lives)
    models, clocks, left_out = _weather_models(lives, aged, weather, detected, lit)
    fits: list[LifeFit] = []
    kinds = aged[[*_FITTED, *_BOUNDS]].groupby(["kind", "type"], sort=True)
    thin: list[tuple[LeftOut, pd.DataFrame]] = []
    for (kind, name), some in kinds:
        burns = kind in clocks and clocks[str(kind)].is_burning
        by_clock = lit.aged(some) if burns and lit is not None else some
        fit = _fit(str(kind), str(name), by_clock, keep)
        if isinstance(fit, LifeFit):
            fit = replace(fit, by_burning=burns)
            fits.append(_at_mean_weather(fit, models.get(str(kind))))
        else:
            thin.append((fit, by_clock))
        undated = _undated(str(kind), str(name), some)
        left_out += [undated] if undated else []
    left_out += [_bounded(one, some, fits) for one, some in thin]
    gaps = weather_gaps(weather, models.values())
    return LifeModels(
        tuple(fits),
        models,
        tuple(left_out),
        detected,
        gaps,
        () if lit is None else lit_lives(lives.frame, lit, clocks),
        lit,
    )


def _at_mean_weather(fit: LifeFit, model: HazardModel | None) -> LifeFit:
    if model is None:
        return fit
    factor = _mean_factor(model) ** (1.0 / fit.weibull.shape)
    return replace(fit, to_mean_weather=factor)
