"""What ends a part: ways that compete, parts with late entry and without date."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.nights import YEAR
from lightwatch.rates.endings import endings
from reports.papers.reliability import by_ending

REPAIRS = pd.DataFrame(
    {
        "cause": ["driver", "knockdown", "programme", "unknown"],
        "action": ["replaced", "replaced", "converted", "removed"],
    }
)


def lives_of(rows: list[tuple]) -> SimpleNamespace:
    """Return lives: kind, years at entry and exit, the repair that ended it, failed."""
    columns = ["kind", "entry", "leave", "end_repair", "failed"]
    frame = pd.DataFrame(rows, columns=columns)
    born = np.where(frame["entry"].isna(), np.nan, 0.0)
    frame = frame.assign(
        installed=born, installed_last=born, start=frame["entry"].fillna(0.0) * YEAR,
        end=frame["leave"] * YEAR,
    )  # fmt: skip
    known = SimpleNamespace(repairs=REPAIRS)
    return SimpleNamespace(frame=frame, register=SimpleNamespace(known=known))


def test_a_part_that_was_knocked_down_can_no_longer_fail() -> None:
    """Forty of 100 are knocked down at 2 years, half of the rest fail at 5."""
    (found,) = endings(
        lives_of(
            [("driver", 0.0, 2.0, 1, False)] * 40
            + [("driver", 0.0, 5.0, 0, True)] * 30
            + [("driver", 0.0, 12.0, -1, False)] * 30
        )
    )

    assert found.share == pytest.approx({"failure": 0.3, "knockdown": 0.4})
    assert found.left == pytest.approx(0.3)
    assert found.ended == 70
    table = by_ending([found])
    assert table.rows[0] == ("driver", 70, 30.0, 40.0, 30.0)


def test_a_part_counts_from_when_its_watch_began_and_only_with_a_date() -> None:
    """Of the 50 first watched at 6 years nobody knows how many ended before."""
    late = [("fuse", 6.0, 12.0, -1, False)] * 50
    undated = [("fuse", np.nan, 3.0, 0, True)] * 50
    early = [("fuse", 0.0, 3.0, 3, False)] * 10 + [("fuse", 0.0, 11.0, 2, False)] * 40
    (found,) = endings(lives_of(late + undated + early))

    assert found.share["other work"] == pytest.approx(0.2)
    assert found.share["conversion"] == 0.0, "at 11 years, after the age told of"
    assert "failure" not in found.share


def test_kinds_that_few_were_watched_so_long_and_cable_are_not_told_of() -> None:
    young = [("driver", 0.0, 3.0, 0, True)] * 30 + [("driver", 0.0, 9.0, -1, False)] * 9
    cable = [("cable", 0.0, 12.0, -1, False)] * 30
    assert endings(lives_of(young + cable)) == []
