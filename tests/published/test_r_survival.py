"""R's package survival as an oracle, on lives that came late and whose ages tie.

It is run where it is installed: ``apt-get install r-cran-survival`` on Debian. R's
``survreg`` takes no delayed entry, so the truncated likelihood is written out with the
package's own ``psurvreg`` and ``dsurvreg`` and climbed by R's ``optim``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lightwatch.rates.causes import aalen_johansen
from lightwatch.rates.nonparametric import kaplan_meier
from lightwatch.rates.recurrence import histories, mean_cumulative
from lightwatch.rates.weibull import fit_weibull
from tests.simulated_lives import Simulated, simulate_lives

AGREEMENT = 1e-4
HOW = "R's survival is not installed: apt-get install r-cran-survival"
ROUNDED = pytest.mark.parametrize("per_year", [365.25, 12.0], ids=["days", "months"])


def _has_survival() -> bool:
    if not shutil.which("Rscript"):
        return False
    asked = ["Rscript", "--vanilla", "-e", "library(survival)"]
    return subprocess.run(asked, capture_output=True, check=False).returncode == 0


@pytest.fixture(scope="module", autouse=True)
def _survival() -> None:
    if not _has_survival():
        if os.environ.get("LIGHTWATCH_REQUIRE_R") == "1":
            pytest.fail(HOW)
        pytest.skip(HOW)


def r(folder: Path, frame: pd.DataFrame, script: str) -> pd.DataFrame:
    """Run a script on ``lives``; return the data frame that it calls ``found``."""
    frame.to_csv(folder / "lives.csv", index=False, float_format="%.17g")
    code = (
        "suppressMessages(library(survival))\n"
        'lives <- read.csv("lives.csv")\n'
        f"{script}\n"
        "options(digits = 15)\n"
        'write.csv(format(found, digits = 15), "found.csv", row.names = FALSE)\n'
    )
    (folder / "script.R").write_text(code, "utf-8")
    run = subprocess.run(
        ["Rscript", "--vanilla", "script.R"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    return pd.read_csv(folder / "found.csv")


def _frame(lives: Simulated) -> pd.DataFrame:
    columns = {f"x{i}": column for i, column in enumerate(lives.covariates.T)}
    return pd.DataFrame(
        {
            "entry": lives.entry_age,
            "exit": lives.exit_age,
            "failed": lives.failed.astype(int),
            "low": lives.low,
            "high": np.where(np.isfinite(lives.high), lives.high, np.nan),
            **columns,
        }
    )


def _lives(per_year: float, count: int = 2000) -> Simulated:
    lives = simulate_lives(count, seed=5, per_year=per_year)
    assert len(np.unique(lives.exit_age[lives.failed])) < lives.failed.sum()
    return lives


TRUNCATED = """
x <- as.matrix(lives[, c("x0", "x1", "x2", "x3")])
loss <- function(theta) {
  at <- theta[1] + drop(x %*% theta[3:6])
  sigma <- exp(theta[2])
  alive <- function(t) 1 - psurvreg(t, at, sigma, "weibull")
  end <- ifelse(is.na(lives$high), Inf, lives$high)
  beyond <- ifelse(is.finite(end), alive(pmin(end, 1e6)), 0)
  first <- ifelse(lives$low > 0, alive(pmax(lives$low, 1e-12)), 1)
  begun <- ifelse(lives$entry > 0, alive(pmax(lives$entry, 1e-12)), 1)
  -sum(log(first - beyond) - log(begun))
}
theta <- c(3, -0.4, 0, 0, 0, 0)
for (i in 1:6)
  theta <- optim(theta, loss, method = "BFGS",
                 control = list(reltol = 1e-15, maxit = 500))$par
shape <- exp(-theta[2])
found <- data.frame(shape = shape, scale = exp(theta[1]), loss = loss(theta),
  b0 = -theta[3] * shape, b1 = -theta[4] * shape,
  b2 = -theta[5] * shape, b3 = -theta[6] * shape)
"""


@ROUNDED
def test_late_lives_in_intervals_have_the_weibull_of_r_s_distributions(
    tmp_path: Path, per_year: float
) -> None:
    lives = _lives(per_year)
    fit = fit_weibull(
        lives.entry_age, lives.low, lives.high, covariates=lives.covariates
    )
    found = r(tmp_path, _frame(lives), TRUNCATED).iloc[0]
    assert fit.shape == pytest.approx(found["shape"], rel=AGREEMENT)
    assert fit.scale_years == pytest.approx(found["scale"], rel=AGREEMENT)
    ratios = [found[f"b{i}"] for i in range(4)]
    assert fit.coefficients == pytest.approx(ratios, abs=AGREEMENT)
    assert fit.log_likelihood == pytest.approx(-found["loss"], rel=1e-9)


@ROUNDED
def test_lives_watched_from_new_have_the_weibull_of_survreg(
    tmp_path: Path, per_year: float
) -> None:
    lives = _lives(per_year)
    new = lives.entry_age == 0
    frame = _frame(lives)[new].assign(w=1 + np.arange(new.sum()) % 3)
    frame.loc[frame["low"] == 0, "low"] = np.nan
    found = r(
        tmp_path,
        frame,
        'fit <- survreg(Surv(low, high, type = "interval2") ~ x0 + x1 + x2 + x3,'
        ' lives, weights = w, dist = "weibull",'
        " control = survreg.control(rel.tolerance = 1e-13, maxiter = 100))\n"
        "found <- data.frame(shape = 1 / fit$scale, scale = exp(coef(fit)[1]),"
        " t(-coef(fit)[-1] / fit$scale))",
    ).iloc[0]
    fit = fit_weibull(
        np.zeros(new.sum()),
        lives.low[new],
        lives.high[new],
        weights=frame["w"],
        covariates=lives.covariates[new],
    )
    assert fit.shape == pytest.approx(found["shape"], rel=AGREEMENT)
    assert fit.scale_years == pytest.approx(found["scale"], rel=AGREEMENT)
    ratios = [found[f"x{i}"] for i in range(4)]
    assert fit.coefficients == pytest.approx(ratios, abs=AGREEMENT)


@ROUNDED
def test_late_tied_lives_have_the_kaplan_meier_curve_of_survfit(
    tmp_path: Path, per_year: float
) -> None:
    lives = _lives(per_year)
    found = r(
        tmp_path,
        _frame(lives),
        "fit <- survfit(Surv(entry, exit, failed) ~ 1, lives,"
        ' conf.type = "log-log", timefix = FALSE)\n'
        "s <- fit$n.event > 0\n"
        "found <- data.frame(age = fit$time, survival = fit$surv, low = fit$lower,"
        " high = fit$upper, at_risk = fit$n.risk)[s, ]",
    )
    curve = kaplan_meier(lives.entry_age, lives.exit_age, lives.failed)
    assert curve.age_years == pytest.approx(found["age"].to_numpy(), rel=1e-12)
    assert curve.at_risk.tolist() == found["at_risk"].tolist()
    for name in ("survival", "low", "high"):
        ours, theirs = getattr(curve, name), found[name].to_numpy()
        assert ours == pytest.approx(theirs, abs=AGREEMENT), name


@ROUNDED
def test_causes_of_late_tied_lives_have_the_shares_of_survfit(
    tmp_path: Path, per_year: float
) -> None:
    lives = _lives(per_year)
    cause = np.where(lives.failed, 1 + (lives.covariates[:, 0] > 0), 0)
    found = r(
        tmp_path,
        _frame(lives).assign(cause=cause, id=np.arange(len(cause))),
        "fit <- survfit(Surv(entry, exit, factor(cause, 0:2)) ~ 1, lives, id = id,"
        " timefix = FALSE)\n"
        "s <- rowSums(fit$n.event) > 0\n"
        "found <- data.frame(age = fit$time, one = fit$pstate[, 2],"
        " two = fit$pstate[, 3])[s, ]",
    )
    shares = aalen_johansen(lives.entry_age, lives.exit_age, cause)
    for name, number in (("one", 1), ("two", 2)):
        ours = shares.at(number, found["age"] + 1e-9)
        assert ours == pytest.approx(found[name].to_numpy(), abs=AGREEMENT)


@ROUNDED
def test_failures_that_recur_have_the_mean_and_robust_error_of_survfit(
    tmp_path: Path, per_year: float
) -> None:
    rng = np.random.default_rng(8)
    count = 120
    entry = np.floor(rng.uniform(0, 3, count) * per_year) / per_year
    leave = entry + np.ceil(rng.uniform(2, 9, count) * per_year) / per_year
    unit = np.repeat(np.arange(count), rng.poisson(3 * rng.gamma(2, 0.5, count)))
    age = entry[unit] + rng.random(len(unit)) * (leave - entry)[unit]
    age = np.minimum(np.ceil(age * per_year) / per_year, leave[unit])
    one_a_day = pd.DataFrame({"unit": unit, "age": age}).drop_duplicates()
    unit, age = one_a_day["unit"].to_numpy(), one_a_day["age"].to_numpy()
    rows = []
    for i in range(count):
        ends = np.unique(np.append(age[unit == i], leave[i]))
        starts = np.append(entry[i], ends[:-1])
        failed = np.isin(ends, age[unit == i])
        rows += list(
            zip([i] * len(ends), starts, ends, failed.astype(int), strict=True)
        )
    found = r(
        tmp_path,
        pd.DataFrame(rows, columns=["id", "start", "stop", "failed"]),
        "fit <- survfit(Surv(start, stop, failed) ~ 1, lives, id = id,"
        " timefix = FALSE, robust = TRUE)\n"
        "s <- fit$n.event > 0\n"
        "found <- data.frame(age = fit$time, mean = fit$cumhaz,"
        " error = fit$std.chaz)[s, ]",
    )
    curve = mean_cumulative(histories(leave, unit, age, entry))
    assert curve.age == pytest.approx(found["age"].to_numpy(), rel=1e-12)
    assert curve.mean == pytest.approx(found["mean"].to_numpy(), abs=AGREEMENT)
    assert curve.error == pytest.approx(found["error"].to_numpy(), abs=AGREEMENT)
