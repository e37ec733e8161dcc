"""The repair log as it stood at the export: joined, detailed, and put right."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import Ints
from demo_city.world import World

CREWS = np.array(["North 1", "North 2", "South 1", "South 2"], dtype=object)


NOTES = np.array(
    [
        "wet inside, seal gone",
        "corroded receptacle",
        'tag reads "P4", register differs',
        "accès difficile, échelle needed",
        "=SUM(A1:A9)",
        "<script>document.title='x'</script>",
        "+44 left message with owner",
        "wasps' nest; came back",
        "neutral loose, remade, tested",
    ],
    dtype=object,
)


def _permanent(
    world: World, rows: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Put some buried cables on temporary feeds; return their permanent repairs."""
    buried = (rows["cause"] == "cable_fault") & (rows["action"] == "repaired")
    buried &= rng.random(len(rows)) < world.parameters.temporary_feed_share
    temporary = np.flatnonzero(buried)
    limit = rows["performed"] + rng.integers(21, 90, len(rows))
    rows.loc[buried, "temporary_until"] = limit[buried]
    rows.loc[buried, "follow_up"] = "dig"
    rows.loc[buried, "notes"] = "temporary feed, tagged"
    later = rows.iloc[temporary].reset_index(drop=True)
    early = rng.uniform(-12, 6, temporary.size)
    later["performed"] = world.calendar.working(
        later["temporary_until"].to_numpy() + early, rng
    )
    return later.assign(
        cause="programme",
        found="lit",
        temporary_until=np.nan,
        follow_up="",
        trouble=-1,
        notes="permanent repair, temporary feed taken away",
    )


def _answers(rows: pd.DataFrame, told: pd.DataFrame, size: int) -> Ints:
    """Return the report that each repair answers: of its trouble, the first before it.

    The repair that follows a wrong first one answers the report made after that.
    """
    first, again = np.full(size + 1, -1), np.full(size + 1, -1)
    backwards = told[told["trouble"] >= 0].iloc[::-1]
    late = backwards["again"].to_numpy(dtype=bool)
    trouble, place = backwards["trouble"].to_numpy(), backwards.index.to_numpy()
    first[trouble[~late]] = place[~late]
    again[trouble[late]] = place[late]
    which = rows["trouble"].to_numpy()
    second = (again[which] >= 0) & ~rows["misdiagnosed"].to_numpy(dtype=bool)
    found = np.where(second, again[which], first[which])
    at = told["at"].to_numpy()
    early = (found >= 0) & (at[found] < rows["performed"].to_numpy())
    return np.where(early, found, np.asarray(rows["report"], dtype=np.int64))


def _details(world: World, rows: pd.DataFrame, rng: np.random.Generator) -> None:
    """Fill in what crews measure, prove, read off parts and remark."""
    size = len(rows)
    mended_ = rows["action"].isin(["replaced", "repaired", "reset"]).to_numpy()
    planned = (rows["cause"] == "programme").to_numpy()
    wrong = rows["misdiagnosed"].to_numpy(dtype=bool)
    proofs = np.array(["cover_test", "seen_lit", "not_proven", ""], dtype=object)
    proven = rng.choice(proofs, size, p=[0.55, 0.14, 0.13, 0.18])
    unproven = rng.choice(proofs[2:], size)
    proven = np.where(wrong, unproven, proven)
    rows["proven"] = np.where(
        mended_ & (~planned | (proven == "cover_test")), proven, ""
    )
    night = mended_ & ~planned & (rows["proven"] == "not_proven").to_numpy()
    night &= (rows["follow_up"] == "").to_numpy() & (rng.random(size) < 0.4)
    rows.loc[night, "follow_up"] = "verify_at_night"
    volts = world.feeds.volts[rows["circuit"].to_numpy()]
    read = np.round(volts * rng.normal(1.0, 0.018, size), 1)
    dead = rows["cause"].isin(["cable_fault", "line_fault", "supply"]).to_numpy()
    read = np.where(dead, np.round(rng.exponential(4, size), 1), read)
    measured = (rng.random(size) < 0.35) & ~planned
    rows["volts"] = np.where(measured, read, np.nan)
    crew = CREWS[rng.integers(0, 4, size)]
    deep = rows["component"].isin(["cable"]).to_numpy()
    crew = np.where(deep, "Underground", crew)
    rows["crew"] = np.where(rows["crew"] == "", crew, rows["crew"])
    rows["removed"] = np.where(rng.random(size) < 0.5, rows["removed"], -1)
    rows["birth"] = np.where(rng.random(size) < 0.45, rows["birth"], np.nan)
    noted = (rng.random(size) < 0.03) & (rows["notes"] == "").to_numpy()
    rows.loc[noted, "notes"] = rng.choice(NOTES, int(noted.sum()))


def _corrections(
    world: World, rows: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Spoil a few records and return the later records that put them right."""
    spoilt = rng.random(len(rows)) < world.parameters.corrected_share
    spoilt &= rows["action"].isin(["replaced"]).to_numpy()
    spoilt &= (rows["light"] > 0).to_numpy()
    place = np.flatnonzero(spoilt)
    right = rows.iloc[place].copy()
    right["supersedes"] = place
    right["recorded"] = right["recorded"] + rng.uniform(0.5, 18, place.size)
    right["notes"] = "corrects an earlier record"
    wrong_light = rng.random(place.size) < 0.5
    light = rows["light"].to_numpy().copy()
    aside = light[place] - 1
    same = world.feeds.circuit[aside] == rows["circuit"].to_numpy()[place]
    moved = place[wrong_light & same]
    light[moved] -= 1
    rows["light"] = light
    volts = rows["volts"].to_numpy().copy()
    volts[np.setdiff1d(place, moved)] = 23.0
    rows["volts"] = volts
    return right


def repair_log(
    world: World,
    parts: list[pd.DataFrame],
    told: pd.DataFrame,
    troubles: pd.DataFrame,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Join all rows into the log as it stood at the export, in order of the work.

    Returns
    -------
    pandas.DataFrame
        With the columns of :data:`COLUMNS`; ids and times still numbers.
    """
    rows = pd.concat(parts, ignore_index=True)
    later = _permanent(world, rows, rng)
    rows = pd.concat([rows, later], ignore_index=True)
    rows = rows[rows["performed"] < world.calendar.end].reset_index(drop=True)
    rows["report"] = _answers(rows, told, len(troubles))
    late = np.minimum(rng.exponential(0.7, len(rows)), 3.0)
    rows["recorded"] = rows["performed"] + 0.01 + late
    _details(world, rows, rng)
    right = _corrections(world, rows, rng)
    rows["place"] = np.arange(len(rows))
    rows = pd.concat([rows, right.assign(place=-1)], ignore_index=True)
    rows = rows[rows["recorded"] < world.calendar.end]
    rows = rows.sort_values(["performed", "recorded"], kind="stable", ignore_index=True)
    first = np.full(int(rows["place"].max()) + 2, -1)
    old = rows["place"].to_numpy()
    first[old[old >= 0]] = np.flatnonzero(old >= 0)
    which = rows["supersedes"].to_numpy()
    rows["supersedes"] = np.where(which >= 0, first[which], -1)
    return rows.drop(columns="place")
