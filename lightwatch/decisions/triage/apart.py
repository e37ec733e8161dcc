"""Open reports that are on no light, and until when verdicts are judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.spoken import symptom_said
from lightwatch.decisions.triage.troubles import answers
from lightwatch.register.closings import closings
from lightwatch.register.placed import near_m, placed
from lightwatch.register.reach import reach


@dataclass(frozen=True)
class Far:
    """An open report with no light near.

    ``nearest`` is the nearest light, ``away_m`` [m] away; '' and None where the
    register has no lights.
    """

    report_id: str
    symptom: str
    at: datetime
    longitude: float
    latitude: float
    nearest: str
    away_m: float | None

    def __str__(self) -> str:
        """Say which report it is, and how far off."""
        said = symptom_said(self.symptom)
        if self.away_m is None:
            return f"{self.report_id} ({said})"
        km = self.away_m / 1000
        away = f"{km:.1f} km" if km >= 1 else f"{self.away_m:.0f} m"
        return f"{self.report_id} ({said}, {away} from {self.nearest})"


@dataclass(frozen=True)
class Apart:
    """What belongs beside the outages.

    Parameters
    ----------
    far
        Open reports with no light near, the nearest to a light first.
    within_m
        So near counts as near [m].
    passed_on
        Reports closed as not ours.
    silent_since
        When the records of reports end; None where they run on until now.
    """

    far: tuple[Far, ...] = ()
    within_m: float = 0.0
    passed_on: int = 0
    silent_since: datetime | None = None


def apart(signs: Signs) -> Apart:
    """Return what is told of, and is on no light."""
    register = signs.register
    known, place, closed = register.known, placed(register), closings(register)
    named = set(answers(register)["report_id"]) - {""}
    reports = known.reports.assign(**place[["how", "nearest", "away_m"]])
    still = (reports["how"] == "far") & closed["closed"].isna()
    rows = reports[still & ~reports["report_id"].isin(named)].sort_values("away_m")
    far = tuple(
        Far(
            str(row.report_id),
            str(row.symptom),
            known.clock.at(int(row.happened)),
            float(row.longitude),
            float(row.latitude),
            str(row.nearest),
            None if row.away_m != row.away_m else float(row.away_m),
        )
        for row in rows.itertuples()
    )
    until = reach(register).reports
    ended = until is not None and until < register.as_of
    last = int(known.reports["happened"].max()) if ended else 0
    return Apart(
        far,
        near_m(register),
        int((closed["closed_as"] == "not_ours").sum()),
        known.clock.at(last) if ended else None,
    )
