"""What is true in one simulated city, for those who judge what was estimated."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from demo_city.days import YEAR_DAYS, Ints, Texts
from demo_city.feeds import CIRCUIT, LIGHT, SECTION, SECTION_KINDS
from demo_city.parameters import SYMPTOMS, Batch, Life
from demo_city.simulating import Records
from demo_city.tables import Ids


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
    open_faults
        Everything in trouble at the export, in the same columns (noticed_at blank:
        nobody knew), and dark_light_ids.
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
    open_faults: pd.DataFrame
    watched: pd.DataFrame

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


def _circuit(records: Records) -> Ints:
    level = records.troubles["level"].to_numpy()
    holder = records.troubles["holder"].to_numpy()
    own = records.world.feeds.circuit[np.where(level == CIRCUIT, 0, holder)]
    return np.where(level == CIRCUIT, holder, own)


def _types(records: Records) -> Texts:
    """Return the type of what failed: of the model, or of the section."""
    troubles = records.troubles
    model = troubles["model"].to_numpy(dtype=np.int64)
    types = np.array([*records.world.catalogue.types, "unknown"], dtype=object)[model]
    section = (troubles["level"] == SECTION).to_numpy()
    holder = np.where(section, troubles["holder"], 0)
    kind = np.array(SECTION_KINDS, dtype=object)[records.world.feeds.kind[holder]]
    return np.where(section, kind, types)


def _all_troubles(records: Records, ids: Ids) -> pd.DataFrame:
    """Return every trouble with names and local times."""
    troubles, calendar = records.troubles, records.world.calendar
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    over = troubles["mended"] & (troubles["repaired_at"] < calendar.end)
    repaired = np.where(over, troubles["repaired_at"], np.nan)
    failed, noticed = troubles["failed_at"].to_numpy(), troubles["noticed_at"]
    known = np.where(noticed < calendar.end, noticed, np.nan)
    return pd.DataFrame(
        {
            "level": np.array(["light", "circuit", "section"], dtype=object)[level],
            "light_id": ids.light[np.where(level == LIGHT, holder, -1)],
            "circuit_id": ids.circuit[_circuit(records)],
            "section_id": ids.section[np.where(level == SECTION, holder, -1)],
            "kind": troubles["kind"],
            "type": _types(records),
            "cause": troubles["cause"],
            "symptom": np.array(SYMPTOMS, dtype=object)[troubles["symptom"]],
            "failed_at": calendar.moments(failed),
            "noticed_at": calendar.moments(known),
            "repaired_at": calendar.moments(repaired),
            "down_days": np.round(repaired - failed, 3),
        }
    )


def _open_faults(records: Records, ids: Ids, every: pd.DataFrame) -> pd.DataFrame:
    """Return what was in trouble at the export, with the lights that it keeps dark."""
    troubles, end = records.troubles, records.world.calendar.end
    still = np.flatnonzero((troubles["ended_at"] >= end).to_numpy())
    found = every.iloc[still].drop(columns=["repaired_at", "down_days"])
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    place, dark = records.world.feeds.dark(level[still], holder[still])
    lights = pd.Series(ids.light[dark], dtype=object).groupby(place).agg(list)
    return found.assign(dark_light_ids=lights.to_numpy()).reset_index(drop=True)


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
    world, every = records.world, _all_troubles(records, ids)
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
        _open_faults(records, ids, every),
        _watched(records),
    )
