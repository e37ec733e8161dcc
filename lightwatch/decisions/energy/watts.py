"""Input watts of each light, from one dated change to the next."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.kept import keeping
from lightwatch.observations.known import Known
from lightwatch.register.fittings import is_new_luminaire


def _number(text: object) -> float:
    try:
        return float(str(text))
    except ValueError:
        return np.nan


def _as_written(known: Known) -> pd.DataFrame:
    """Return the watts of the lights' rows: as first written, and as later changed."""
    lights = known.lights
    rows = lights[["light_id", "watts"]].assign(at=-np.inf)
    changed = []
    on_record = set(lights["light_id"])
    for light, versions in known.versions("lights").items():
        said = [
            one
            for one in versions
            if one["version_recorded"] is None or one["version_recorded"] < known.as_of
        ]
        if light not in on_record:
            continue
        for i, row in enumerate(said):
            dated = row["effective"] if i else None
            recorded = row["version_recorded"] if i else None
            at = next((one for one in (dated, recorded) if one is not None), -np.inf)
            changed.append((light, _number(row["watts"]), float(at)))
    later = pd.DataFrame(changed, columns=["light_id", "watts", "at"])
    still = rows[~rows["light_id"].isin(set(later["light_id"]))]
    parts = [part for part in (still, later) if len(part)] or [rows]
    return pd.concat(parts, ignore_index=True)


def _fitted(known: Known) -> pd.DataFrame:
    """Return the watts that new luminaires brought; not a number where nobody says."""
    repairs = known.repairs
    chosen = repairs[is_new_luminaire(repairs) & (repairs["light_id"] != "")]
    watts = known.models.set_index("model")["watts"].to_dict()

    def of(text: str) -> float:
        found = [watts.get(model.strip(), np.nan) for model in text.split("+")]
        known_watts = [one for one in found if one == one]
        return sum(known_watts) if known_watts else np.nan

    each = {text: of(text) for text in set(chosen["fitted_model"])}
    return pd.DataFrame(
        {
            "light_id": chosen["light_id"],
            "watts": chosen["fitted_model"].map(each).astype(float),
            "at": chosen["happened"].astype(float),
        }
    )


@keeping
def watts(known: Known) -> pd.DataFrame:
    """Return the input watts of every light over time.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``since``, ``until`` [instants; infinite at the ends], ``watts``
        [W], not a number where nobody says.
    """
    parts = [part for part in (_as_written(known), _fitted(known)) if len(part)]
    frame = pd.concat(parts, ignore_index=True) if parts else _as_written(known)
    frame = frame.sort_values(["light_id", "at"], kind="stable")
    until = frame.groupby("light_id", sort=False)["at"].shift(-1).fillna(np.inf)
    frame = frame.assign(since=frame["at"], until=until).drop(columns="at")
    return frame[frame["until"] > frame["since"]].reset_index(drop=True)
