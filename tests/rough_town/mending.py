"""What crews wrote: repairs, wrong first repairs, visits that found nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.rough_town.parts import KIND
from tests.rough_town.storms import Storms
from tests.rough_town.streets import Ints
from tests.rough_town.watching import working_time

COLUMNS = {
    "at": np.nan, "trouble": "", "light": -1, "circuit": -1, "section": -1,
    "cause": "", "action": "replaced", "component": "", "fitted": -1, "model": -1,
    "found": "", "proven": "", "follow_up": "", "wrong": False, "back": np.nan,
    "report": -1,
}  # fmt: skip
"""Columns of a repair and what stands there where nothing is said."""

CAUSES = {"cable": "cable_fault", "line": "line_fault"}
LOOKED = 0.6
"""Share of reports of lights that burn that a crew goes to see."""

CHECKED_AFTER_STORM = 0.3
PROVEN = (("cover_test", 0.5), ("seen_lit", 0.2), ("not_proven", 0.1), ("", 0.2))
DOUBTFUL = (("cover_test", 0.2), ("not_proven", 0.3), ("", 0.5))


def _rows(number: int, **columns: object) -> pd.DataFrame:
    blank = pd.DataFrame({k: [v] * number for k, v in COLUMNS.items()})
    return blank.assign(**columns)


def _proof(
    rng: np.random.Generator, number: int, shares: tuple[tuple[str, float], ...]
) -> list[str]:
    names, chances = zip(*shares, strict=True)
    return [str(one) for one in rng.choice(names, number, p=chances)]


def _action(kinds: np.ndarray) -> np.ndarray:
    return np.where(np.isin(kinds, ("wiring", "cable", "line")), "repaired", "replaced")


def of_own(own: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the repairs of lights' own parts, wrong first ones among them."""
    trouble = np.array([f"own-{i}" for i in own.index], dtype=object)
    kinds = KIND[own["law"].to_numpy()]
    right = _rows(
        len(own), at=own["end"].to_numpy(), trouble=trouble, cause=kinds,
        light=own["light"].to_numpy(), component=kinds, action=_action(kinds),
        found=own["symptom"].to_numpy(), fitted=own["fitted"].to_numpy(),
        model=own["model"].to_numpy(), proven=_proof(rng, len(own), PROVEN),
    )  # fmt: skip
    some = own[own["wrong_at"].notna()]
    changed = KIND[some["wrong_law"].to_numpy()]
    wrong = _rows(
        len(some), at=some["wrong_at"].to_numpy(), cause=changed, component=changed,
        trouble=trouble[some.index], light=some["light"].to_numpy(), wrong=True,
        action=_action(changed), back=some["back"].to_numpy(),
        found=some["symptom"].to_numpy(), fitted=some["wrong_law"].to_numpy(),
        model=some["wrong_model"].to_numpy(), proven=_proof(rng, len(some), DOUBTFUL),
    )  # fmt: skip
    return pd.concat([right, wrong], ignore_index=True)


def of_feeds(feeds: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the repairs of sections, supplies and group photocontrols."""
    trouble = np.array([f"feed-{i}" for i in feeds.index], dtype=object)
    law = feeds["law"].to_numpy()
    kinds, light = KIND[law], feeds["light"].to_numpy()
    fuse = (kinds == "supply") & (rng.random(len(feeds)) < 0.4)
    cause = np.array([CAUSES.get(kind, kind) for kind in kinds], dtype=object)
    cause[fuse] = "fuse"
    component = np.where(fuse, "fuse", np.where(kinds == "supply", "", kinds))
    swapped = fuse | (kinds == "photocontrol")
    return _rows(
        len(feeds), at=feeds["end"].to_numpy(), trouble=trouble, cause=cause,
        circuit=feeds["circuit"].to_numpy(), section=light, component=component,
        action=np.where(swapped, "replaced", "repaired"), found="group_out",
        fitted=np.where(kinds == "photocontrol", feeds["fitted"], -1),
        model=feeds["model"].to_numpy(), proven=_proof(rng, len(feeds), PROVEN),
    )  # fmt: skip


def before_feeds(
    feeds: pd.DataFrame, told: pd.Series, rng: np.random.Generator
) -> pd.DataFrame:
    """Return first visits to a fault: made safe, or a good part changed in vain.

    ``told``: the light of the first report, per trouble.
    """
    trouble = pd.Series([f"feed-{i}" for i in feeds.index], index=feeds.index)
    vain = feeds[feeds["wrong_law"] >= 0]
    changed = KIND[vain["wrong_law"].to_numpy(dtype=np.int64)]
    wrong = _rows(
        len(vain), at=vain["visited"].to_numpy(),
        trouble=trouble[vain.index].to_numpy(),
        light=vain["wrong_light"].to_numpy(), cause=changed, component=changed,
        wrong=True, back=vain["visited"].to_numpy(), found="out",
        fitted=vain["wrong_law"].to_numpy(), model=vain["wrong_model"].to_numpy(),
    )  # fmt: skip
    seen = feeds["visited"].notna() & (feeds["wrong_law"] < 0)
    some = feeds[seen & (rng.random(len(feeds)) < 0.5)]
    light = trouble[some.index].map(told)
    some, light = some[light.notna()], light.dropna().astype(np.int64)
    dug = KIND[some["law"].to_numpy()] == "cable"
    first = _rows(
        len(some), at=some["visited"].to_numpy(), light=light.to_numpy(),
        trouble=trouble[some.index].to_numpy(), action="follow_up", cause="unknown",
        found="out", follow_up=np.where(dug, "dig", "verify_at_night"),
    )  # fmt: skip
    return pd.concat([wrong, first], ignore_index=True)


def of_storms(storms: Storms, rng: np.random.Generator) -> pd.DataFrame:
    """Return rows of restoration: of a few circuits only, and not of every storm."""
    rows = []
    for number, row in enumerate(storms.table.itertuples()):
        circuits = storms.circuits[number]
        few = rng.permutation(circuits)[: int(rng.integers(1, 5))]
        if row.written:
            rows.append(
                _rows(len(few), at=row.end + rng.uniform(0, 0.1, len(few)),
                      trouble=f"storm-{number}", circuit=few, cause="supply",
                      action="reset", found="group_out")
            )  # fmt: skip
    return pd.concat(rows, ignore_index=True) if rows else _rows(0)


def of_nothing(
    reports: pd.DataFrame, until: pd.Series, rng: np.random.Generator
) -> pd.DataFrame:
    """Return visits to lights that burn: false and misplaced reports, and after storms.

    ``until``: when each trouble ended.
    """
    kind = reports["trouble"].str.split("-").str[0]
    lit = (kind == "false") | (reports["told"] != reports["light"])
    looked = lit & (rng.random(len(reports)) < LOOKED)
    after = (kind == "storm") & (rng.random(len(reports)) < CHECKED_AFTER_STORM)
    some = reports[looked | after]
    since = np.fmax(some["at"], some["trouble"].map(until).where(after[some.index]))
    at = working_time(rng, since.to_numpy() + rng.uniform(3, 15, len(some)))
    return _rows(
        len(some), at=at, trouble=some["trouble"].to_numpy(), cause="none",
        light=some["told"].to_numpy(), action="no_fault_found", found="lit",
        report=some.index.to_numpy(),
    )  # fmt: skip


def answered(repairs: pd.DataFrame, reports: pd.DataFrame) -> Ints:
    """Return for each repair the first report of its trouble before it; -1: none."""
    first = reports.groupby("trouble")["at"].idxmin()
    number = repairs["trouble"].map(first)
    told = number.map(reports["at"])
    number = number.where(told < repairs["at"]).fillna(-1).astype(np.int64)
    found = np.where(repairs["report"] >= 0, repairs["report"], number)
    found[repairs["trouble"].str.startswith("storm") & (repairs["report"] < 0)] = -1
    return found.astype(np.int64)
