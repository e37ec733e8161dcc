"""What is true in one simulated city, for those who judge what was estimated."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from demo_city.days import YEAR_DAYS
from demo_city.parameters import Batch, Life
from demo_city.simulating import Records
from demo_city.tables import Ids
from demo_city.troubles import Troubles, troubles_of


@dataclass(frozen=True)
class Truth:
    """The true hazards, failures, misjudged repairs and open faults of a city.

    Parameters
    ----------
    lives
        True Weibull lives; cable and line per kilometre.
    batch
        The bad batch, if there is one.
    mean_freeze_thaw_days, mean_wet_days
        Weather of the mean month, at which the lives hold [days per month].
    failures
        Every failure of ours: level, light_id, circuit_id, section_id, kind, type,
        cause, symptom, failed_at, noticed_at, repaired_at (local; blank: not by the
        export), down_days (to the repair; blank where something else ended it).
    misdiagnosed
        Repairs that changed a part that had not failed.
    troubles
        Everything that was ever in trouble, our failures and all else, so that it can
        be asked what was open at any time.
    watched
        By kind and type: unit_years in place (km-years for cable and line), mended
        failures, unfailed lives (ended otherwise, or still in place at the export;
        in km for cable and line), units in one holder (mean km of a section).
    """

    lives: tuple[Life, ...]
    batch: Batch | None
    mean_freeze_thaw_days: float
    mean_wet_days: float
    failures: pd.DataFrame
    misdiagnosed: tuple[str, ...]
    troubles: Troubles
    watched: pd.DataFrame

    @property
    def open_faults(self) -> pd.DataFrame:
        """Everything in trouble at the export; see :meth:`Troubles.open_at`."""
        return self.troubles.open_at(self.troubles.calendar.created)

    def rate_per_1000(self, kind: str, type_: str) -> float:
        """Return the expected mended failures per 1000 unit-years in place.

        With constant hazard :math:`1/m` and mean wait :math:`w` from failing to being
        mended, a unit in place fails every :math:`m + w`; and of every life that ends
        otherwise (a programme, the export) a share :math:`w/m` ends while waiting, so
        that its failure is never recorded. Waits, lives and time in place are those
        of this run. Per 1000 km-years for cable and line.

        Raises
        ------
        ValueError
            The life has no constant hazard.
        KeyError
            There is no such kind and type.
        """
        found = [one for one in self.lives if (one.kind, one.type) == (kind, type_)]
        if not found:
            raise KeyError(f"no {kind} of type {type_} in this city")
        life = found[0]
        if life.shape != 1.0 or life.freeze_thaw or life.wet:
            raise ValueError(f"{kind} {type_} has no constant hazard")
        those = self.failures.query("kind == @kind and type == @type_")
        watched = self.watched.query("kind == @kind and type == @type_")
        if watched.empty or not those["down_days"].notna().any():
            return 1000.0 / life.scale_years
        wait = float(those["down_days"].mean()) / YEAR_DAYS
        units, unit_years, unfailed = (
            float(watched[name].iloc[0]) for name in ("units", "unit_years", "unfailed")
        )
        cycle = life.scale_years + wait * units
        return 1000.0 / cycle * (1.0 - wait * unfailed / unit_years)

    def write(self, path: str | Path) -> None:
        """Write all of it as JSON; keep it out of the package's folder."""
        written = {
            "lives": [asdict(life) for life in self.lives],
            "batch": asdict(self.batch) if self.batch else None,
            "mean_freeze_thaw_days": self.mean_freeze_thaw_days,
            "mean_wet_days": self.mean_wet_days,
            "watched": self.watched.to_dict("records"),
            "misdiagnosed": list(self.misdiagnosed),
            "open_faults": self.open_faults.to_dict("records"),
            "failures": json.loads(self.failures.to_json(orient="records")),
        }
        text = json.dumps(written, ensure_ascii=False, indent=1)
        Path(path).write_text(text + "\n", "utf-8", newline="\n")


def _watched(records: Records) -> pd.DataFrame:
    watched = records.watched
    failed = watched["failed"].astype(bool)
    weighted = watched.assign(
        unit_years=watched["units"] * watched["days"] / YEAR_DAYS,
        unfailed=watched["units"] * ~failed,
        squared=watched["units"] ** 2 * watched["days"],
        weight=watched["units"] * watched["days"],
        failures=failed.astype(int),
    )
    summed = weighted.groupby(["kind", "type"], as_index=False)[
        ["unit_years", "unfailed", "failures", "squared", "weight"]
    ].sum()
    summed["units"] = summed["squared"] / summed["weight"]
    return summed.drop(columns=["squared", "weight"])


def truth_of(records: Records, ids: Ids) -> Truth:
    """Return the truth of one run."""
    world, troubles = records.world, troubles_of(records, ids)
    every = troubles.frame
    kinds = [life.kind for life in world.parameters.lives]
    failures = every[every["cause"].isin([*kinds, "cable_fault", "line_fault"])]
    wrong = records.repairs["misdiagnosed"].to_numpy(dtype=bool)
    return Truth(
        world.parameters.lives,
        world.parameters.batch,
        float(world.climate.freeze_thaw_days.mean()),
        float(world.climate.wet_days.mean()),
        failures.reset_index(drop=True),
        tuple(ids.repair[:-1][wrong]),
        troubles,
        _watched(records),
    )
