"""Spans: how a light stood, from one dated change to the next."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lightwatch.observations.known import Known
from lightwatch.register.fittings import is_new_luminaire
from lightwatch.store import Row
from lightwatch.words import SHARED_LIFE, resources

STANDING = ("technology", "circuit_id", "section_id", "road_id", "pole_id")
"""What may change of a light on a date."""


def _technologies() -> frozenset[str]:
    fields = {field.name: field for field in resources()["lights"].fields}
    return fields["technology"].allowed or frozenset()


def _conversions(known: Known) -> pd.DataFrame:
    """Return the technology of lights after each new luminaire."""
    repairs = known.repairs
    chosen = repairs[is_new_luminaire(repairs) & (repairs["light_id"] != "")]
    models = known.models
    gear = models[models["kind"].isin(SHARED_LIFE)]
    types = dict(zip(gear["model"], gear["type"], strict=True))
    technologies = _technologies()

    def technology(fitted: str) -> str:
        found = [types.get(model.strip(), "") for model in fitted.split("+")]
        return next((one for one in found if one in technologies), "")

    after = {text: technology(text) for text in set(chosen["fitted_model"])}
    frame = pd.DataFrame(
        {
            "light_id": chosen["light_id"],
            "at": chosen["happened"].astype(float),
            "technology": chosen["fitted_model"].map(after),
        }
    )
    return frame[frame["technology"] != ""]


def _amendments(known: Known) -> pd.DataFrame:
    """Return what later versions of the lights' rows changed, each on its date."""
    on_record = set(known.lights["light_id"])
    rows: list[dict[str, Any]] = []
    for key, versions in known.versions("lights").items():
        said = [
            one
            for one in versions
            if one["version_recorded"] is None or one["version_recorded"] < known.as_of
        ]
        for before, row in zip([None, *said], said, strict=False):
            if key in on_record:
                at = -np.inf if row["effective"] is None else row["effective"]
                rows.append({"light_id": key, "at": at, **_differs(before, row)})
    return pd.DataFrame(rows, columns=["light_id", "at", *STANDING])


def _differs(before: Row | None, row: Row) -> dict[str, str]:
    return {
        name: row[name] or ""
        for name in STANDING
        if before is None or row[name] != before[name]
    }


def spans(known: Known) -> pd.DataFrame:
    """Return how each light stood, one row from one change to the next.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``since``, ``until`` [instants; infinite at the ends] and the
        columns of ``STANDING``.
    """
    amended = _amendments(known)
    still = known.lights[~known.lights["light_id"].isin(set(amended["light_id"]))]
    first = still[["light_id", *STANDING]].assign(at=-np.inf)
    parts = [part for part in (first, amended, _conversions(known)) if len(part)]
    if not parts:
        return pd.DataFrame(columns=["light_id", "since", "until", *STANDING])
    frame = pd.concat(parts, ignore_index=True)
    light, _ = pd.factorize(frame["light_id"], sort=True)
    frame = frame.iloc[np.lexsort((frame["at"].astype(float), light))]
    lights = frame.groupby("light_id", sort=False)
    frame[list(STANDING)] = lights[list(STANDING)].ffill()
    frame["since"] = frame["at"].astype(float)
    frame["until"] = lights["since"].shift(-1).fillna(np.inf)
    return frame.drop(columns="at").reset_index(drop=True)
