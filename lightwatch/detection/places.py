"""Where trouble is reported sooner: ratios by class of road and by district.

On a busy road, or where people care, a light in trouble is reported sooner than the
same trouble elsewhere. The rate of a light is that of its symptom times a ratio for the
class of its road times a ratio for its district. Ratios of few reports are drawn
towards 1, by as much as the classes (districts) differ no more than chance makes them
(gamma-Poisson, the spread by its moments [1]_).

The exchange format has no column for districts. They are neighbourhoods of like many
lights, made from the lights' positions: see :mod:`lightwatch.register.districts`.

References
----------
.. [1] R. J. Marshall, Applied Statistics 40 (1991), 283-294; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from lightwatch.register import Register
from lightwatch.store.frames import filled

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

ROUNDS = 8
"""How often the ratios of classes and of districts are fitted to each other."""

ELSEWHERE = ""
"""The road class and district of what has none."""


@dataclass(frozen=True)
class Places:
    """Ratios of reporting rates by place; 1 is an average light.

    Parameters
    ----------
    road_class, district
        Ratio by class of road, and by district.
    class_of, district_of
        Class of road and district of each light.
    """

    road_class: dict[str, float] = field(default_factory=dict)
    district: dict[str, float] = field(default_factory=dict)
    class_of: dict[str, str] = field(default_factory=dict)
    district_of: dict[str, str] = field(default_factory=dict)

    def ratio(self, light_ids: pd.Series[Any]) -> Floats:
        """Return the ratio of each light's reporting rate to that of an average one."""
        at = self._of_light.index.get_indexer(pd.Index(light_ids, dtype=object))
        ratio: Floats = np.append(self._of_light.to_numpy(float), 1.0)[at]
        return ratio

    @cached_property
    def _of_light(self) -> pd.Series[float]:
        """Ratio of each light on record."""
        names = pd.Index(
            dict.fromkeys([*self.class_of, *self.district_of]), dtype=object
        )
        by_class = names.map(self.class_of).map(self.road_class)
        by_district = names.map(self.district_of).map(self.district)
        both = (np.asarray(one, dtype=float) for one in (by_class, by_district))
        own, near = (np.where(np.isnan(one), 1.0, one) for one in both)
        return pd.Series(own * near, names)


def drawn_ratios(reports: ArrayLike, expected: ArrayLike) -> Floats:
    """Return the ratio of reports to those expected, each drawn towards 1.

    Parameters
    ----------
    reports, expected
        By group; their sums are brought to be the same.

    Examples
    --------
    >>> drawn_ratios([12.0], [8.0])
    array([1.])
    >>> drawn_ratios([300.0, 100.0], [200.0, 200.0]).round(2)
    array([1.49, 0.51])
    """
    seen = np.asarray(reports, dtype=float)
    due = np.asarray(expected, dtype=float)
    if not seen.sum() > 0 or not due.sum() > 0:
        return np.ones(len(seen))
    due = due * (seen.sum() / due.sum())
    spread = float(((seen - due) ** 2 - due).sum() / (due**2).sum())
    if spread <= 0:
        return np.ones(len(seen))
    ratios: Floats = (seen + 1 / spread) / (due + 1 / spread)
    return ratios


def fit_places(register: Register, table: pd.DataFrame) -> Places:
    """Fit ratios by class of road and district to reports and the days for them.

    Parameters
    ----------
    register
        The register as known on a day.
    table
        A row a trouble: ``light_id``, ``symptom``, ``reports``, and ``days``, the time
        over which they would have come [days].
    """
    lights = register.known.lights
    road_class = filled(lights["road_id"].map(register.known.road_class), ELSEWHERE)
    own = {
        "road_class": dict(zip(lights["light_id"], road_class, strict=True)),
        "district": register.district_of,
    }
    light = table["light_id"]
    coded = {
        name: pd.factorize(filled(light.map(of), ELSEWHERE)) for name, of in own.items()
    }
    place = {name: code for name, (code, _) in coded.items()}
    ratio = {name: np.ones(len(names)) for name, (_, names) in coded.items()}
    symptom = pd.factorize(table["symptom"])[0]
    counts = symptom, table["reports"].to_numpy(float), table["days"].to_numpy(float)
    for _ in range(ROUNDS):
        for name in own:
            ratio[name] = _ratios(*counts, place, name, ratio)
    found = {
        name: _about_one(
            dict(zip(names, map(float, ratio[name]), strict=True)),
            list(own[name].values()),
        )
        for name, (_, names) in coded.items()
    }
    return Places(
        found["road_class"], found["district"], own["road_class"], own["district"]
    )


def _ratios(
    symptom: Ints,
    reports: Floats,
    days: Floats,
    place: dict[str, Ints],
    name: str,
    ratio: dict[str, Floats],
) -> Floats:
    """Return the ratios of one kind of place, those of the other kind given."""
    for other in ratio.keys() - {name}:
        days = days * ratio[other][place[other]]
    own = days * ratio[name][place[name]]
    rate = np.bincount(symptom, reports) / np.maximum(np.bincount(symptom, own), 1e-9)
    expected = np.bincount(place[name], days * rate[symptom])
    return drawn_ratios(np.bincount(place[name], reports), expected)


def _about_one(ratios: dict[str, float], of_lights: list[str]) -> dict[str, float]:
    """Bring ratios to a mean of 1 over the lights; a place never seen has 1."""
    kept = {name: ratios.get(name, 1.0) for name in dict.fromkeys(of_lights)}
    mean = float(np.mean([kept[name] for name in of_lights])) if of_lights else 1.0
    return {name: one / mean for name, one in kept.items()}
