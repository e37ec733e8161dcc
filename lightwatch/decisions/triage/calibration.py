"""Do the probabilities mean what they say? Held to closed jobs of the past.

Circuits are judged again as of past days, from what was known then; what crews later
found on them says whether they shared a fault. With 200 such cases or more, an isotonic
map from what was said to what came [1]_ may correct later verdicts; it does so only if,
fitted to some of the cases, it makes the others no worse.

References
----------
.. [1] B. Zadrozny and C. Elkan, Transforming classifier scores into accurate multiclass
   probability estimates, KDD 2002; from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.habits import FEED_CAUSES
from lightwatch.decisions.triage.judge import CircuitJudged, judge
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.troubles import answers
from lightwatch.nights import DAY
from lightwatch.observations.known import Known
from lightwatch.register import Register

Floats = NDArray[np.float64]

ENOUGH = 200
"""Verified cases that it takes to correct probabilities."""

FOLDS = 5
APART_DAYS = 30
YEARS_BACK = 3
_EDGE = 1e-3


@dataclass(frozen=True)
class ClosedJobs:
    """Past verdicts with what came: probability of a shared fault, and whether."""

    said: Floats
    came: NDArray[np.bool_]

    def bins(self, count: int = 10) -> pd.DataFrame:
        """Return the reliability diagram: ``said``, ``came`` (means), ``cases``."""
        place = np.minimum((self.said * count).astype(int), count - 1)
        frame = pd.DataFrame({"bin": place, "said": self.said, "came": self.came})
        grouped = frame.groupby("bin")
        return grouped[["said", "came"]].mean().assign(cases=grouped.size())

    @property
    def error(self) -> float:
        """Expected calibration error over ten bins."""
        bins = self.bins()
        apart = (bins["said"] - bins["came"]).abs()
        return float((apart * bins["cases"]).sum() / max(len(self.said), 1))

    @property
    def brier(self) -> float:
        """Mean squared distance of what was said from what came."""
        return float(np.mean((self.said - self.came) ** 2)) if len(self.said) else 0.0


def _closing(register: Register, at: int) -> dict[str, bool]:
    """Tell for each report closed after a time whether several lights shared it."""
    done = answers(register)
    done = done[~done["by_word"].astype(bool)]
    done = done[(done["happened"] >= at) & (done["report_id"] != "")]
    feed = (done["light_id"] == "") & done["cause"].isin([*FEED_CAUSES, "photocontrol"])
    fed = Counter(
        section
        for own in register.standing["section_id"]
        for section in register.feeds.get(own, ())
    )
    lone = (done["section_id"] != "") & (done["section_id"].map(fed).fillna(0) < 2)
    shared = feed & ~lone
    return dict(zip(done["report_id"], shared.tolist(), strict=True))


def closed_jobs(
    present: Register, known: Experience, days: Iterable[int] | None = None
) -> ClosedJobs:
    """Judge circuits as of past days, and look up what crews found later.

    Rates are those of the present; what was observed is what was known then.

    Parameters
    ----------
    present
        All that is known now.
    known
        Rates from the records.
    days
        Past instants; by default every 30 days over three years.
    """
    if days is None:
        last = present.as_of - APART_DAYS * DAY
        first = max(present.known.opened, last - round(YEARS_BACK * 365.25) * DAY)
        days = range(
            first + (last - first) % (APART_DAYS * DAY), last, APART_DAYS * DAY
        )
    said, came = [], []
    for at in days:
        signs = Signs.of(Register(Known(present.known.store, at), present.near_m))
        troubles = signs.open[signs.open["symptom"].isin(DARKNESS.symptoms)]
        closing = troubles["report_id"].map(_closing(present, at))
        verified = closing.groupby(troubles["circuit"]).max().dropna()
        for one in judge(signs, known, sorted(verified.index)):
            said.append(one.shared)
            came.append(bool(verified[one.name]))
    return ClosedJobs(np.array(said), np.array(came, dtype=bool))


@dataclass(frozen=True)
class Calibration:
    """A map from probabilities said to probabilities meant; by default it is none."""

    said: Floats
    meant: Floats
    reason: str

    def __call__(self, chance: float) -> float:
        """Return what a probability means."""
        if not len(self.said):
            return chance
        return float(np.interp(chance, self.said, self.meant))

    def applied(self, judged: CircuitJudged) -> CircuitJudged:
        """Bring all probabilities of a shared fault on a circuit to what they mean."""
        if not len(self.said) or judged.shared <= 0:
            return judged
        meant = np.clip(self(judged.shared), _EDGE, 1 - _EDGE)
        odds = meant / (1 - meant)
        was = np.clip(judged.shared, 1e-9, 1 - 1e-9)
        ratio = odds / (was / (1 - was))

        def moved(chance: Floats | float) -> Floats:
            return np.asarray(ratio * chance / (1 - chance + ratio * chance))

        dark = moved(judged.dark)
        lit = np.divide(
            1 - dark, 1 - judged.dark, out=np.ones_like(dark), where=judged.dark < 1
        )
        share = float(meant / was)
        return replace(
            judged,
            shared=float(meant),
            group=judged.group * share,
            supply=judged.supply * share,
            sections={name: chance * share for name, chance in judged.sections.items()},
            dark=dark,
            own=judged.own * lit,
        )


def _isotonic(said: Floats, came: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    from sklearn.isotonic import IsotonicRegression

    fitted = IsotonicRegression(out_of_bounds="clip", y_min=0.0, y_max=1.0)
    fitted.fit(said, came.astype(float))
    return fitted.X_thresholds_, fitted.y_thresholds_


def calibration(jobs: ClosedJobs, seed: int = 0) -> Calibration:
    """Fit an isotonic map to closed jobs, if it makes held-out ones no worse.

    Parameters
    ----------
    jobs
        Past verdicts with what came.
    seed
        Of the folds.
    """
    none = np.zeros(0)
    if len(jobs.said) < ENOUGH:
        reason = f"{len(jobs.said)} closed jobs are too few to correct by (200 or more)"
        return Calibration(none, none, reason)
    fold = np.random.default_rng(seed).permutation(len(jobs.said)) % FOLDS
    meant = np.empty(len(jobs.said))
    for one in range(FOLDS):
        held = fold == one
        meant[held] = np.interp(
            jobs.said[held], *_isotonic(jobs.said[~held], jobs.came[~held])
        )
    corrected = float(np.mean((meant - jobs.came) ** 2))
    if corrected > jobs.brier:
        reason = (
            f"{len(jobs.said)} closed jobs: corrected, held-out ones would be worse "
            f"(Brier score {corrected:.4f}, as said {jobs.brier:.4f}): left as said"
        )
        return Calibration(none, none, reason)
    reason = (
        f"corrected by {len(jobs.said)} closed jobs (Brier score of held-out ones "
        f"{corrected:.4f}, as said {jobs.brier:.4f})"
    )
    return Calibration(*_isotonic(jobs.said, jobs.came), reason)
