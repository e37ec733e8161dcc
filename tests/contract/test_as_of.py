"""A run as of a past day gives what a run on that day would have given.

The package is cut off at a time, as an export of that day would have been, and taken
into an empty store. What that store answers must be, to the letter, what the whole
store answers as of that time.
"""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.store import Store, open_store
from tests.contract.answers import answers
from tests.towns import CLOCK, NOW, TABLES, lines_in, little_town, take_in
from tests.truncate import truncate

EXAMPLES = int(os.environ.get("LIGHTWATCH_EXAMPLES", "3"))
"""How many drawn times the shared town is cut off at."""


def of_that_day(source: Path, target: Path, at: datetime) -> Store:
    """Take in what an export at a time would have held."""
    package = Package.open(truncate(source, target / "package", at))
    store = open_store(f"sqlite:///{target}/store.db", create=True)
    load(store, package, now=NOW, said_by="a test")
    return store


def assert_same(whole: Store, source: Path, target: Path, at: datetime) -> None:
    store = of_that_day(source, target, at)
    as_of = default_as_of(store)
    assert as_of == CLOCK.instant(at.isoformat())
    assert answers(store, as_of) == answers(whole, as_of)
    store.engine.dispose()


# The shared town ----------------------------------------------------------------


@pytest.mark.slow
@settings(derandomize=True, max_examples=EXAMPLES, deadline=None, database=None)
@given(minute=st.integers(0, 9 * 365 * 24 * 60))
def test_the_town_cut_off_at_any_minute_answers_as_the_whole_did(
    town, tmp_path_factory, minute
):
    start = CLOCK.instant("2016-06-01")
    at = CLOCK.at(start + minute * 60_000_000)
    assert_same(town.store, town.folder, tmp_path_factory.mktemp("cut"), at)


def first_in_service(town) -> str:
    days = [row["in_service"] for row in town.store.rows("lights")]
    return min(day for day in days if day and day > "2016-02-01")


@pytest.mark.slow
@pytest.mark.parametrize("what", ["a day on which a light enters", "a changed clock"])
def test_the_commands_print_the_same_text_of_the_town_cut_off_as_of_the_whole(
    town, tmp_path, what
):
    text = "2019-03-31T02:30" if what == "a changed clock" else first_in_service(town)
    at = CLOCK.instant(text)
    of_that_day(town.folder, tmp_path, CLOCK.at(at))
    for words in (["rates", "--by", "kind,technology,age"], ["lives"], ["outages"]):
        cut = ["--json", "--db", f"sqlite:///{tmp_path}/store.db"]
        whole = ["--json", "--db", town.address, "--as-of", text]
        one, other = (CliRunner().invoke(app, [*words, *end]) for end in (cut, whole))
        assert one.exit_code == other.exit_code == 0
        assert one.stdout == other.stdout
        assert f'"as_of": "{CLOCK.written(at)}"' in one.stdout


# The little town ----------------------------------------------------------------

_FURTHER = lines_in("repairs")

CASES = {
    "as it is": {},
    "a light's report and repair come before the light": {
        "reports": {11: {"received_at": "2018-03-01T10:00"}},
        "repairs": {5: {"performed_at": "2018-03-02T09:00", "recorded_at": ""}},
    },
    "a repair is recorded before the report that it names": {
        "repairs": {5: {"report_id": "Q10", "light_id": "L09"}},
    },
    "a correction names a light that is not yet there": {
        "repairs": {5: {"supersedes": "W02", "recorded_at": "2018-04-24T10:00"}},
    },
    "a repair is corrected twice over": {
        "repairs": {
            _FURTHER: {
                "repair_id": "W10",
                "performed_at": "2018-10-30T14:00",
                "recorded_at": "2019-05-01T10:00",
                "light_id": "L02",
                "cause": "photocontrol",
                "component": "photocontrol",
                "action": "replaced",
                "fitted_model": "PC-T",
                "supersedes": "W06",
            }
        },
    },
    "a patrol's roads have starts on several nights": {
        "patrols": {3: {"started_at": "2016-12-08T21:00"}},
    },
    "a sighting is written down when the night is long over": {
        "sightings": {2: {"seen_at": "2016-12-08T10:00"}},
        "patrols": {4: {"kind": "day"}},
    },
    "a light enters and is removed": {
        "lights": {10: {"in_service": "2019-02-01"}, 5: {"removed_on": "2018-10-28"}},
    },
    "reports are closed, and told before": {
        "reports": {
            3: {"closed_at": "2016-12-01T10:00", "closed_as": "nothing_found"},
            5: {"light_id": "", "duplicate_of": "Q03"},
            9: {"closed_at": "2019-11-14T09:00", "duplicate_of": "Q07"},
            12: {"closed_at": "2019-12-29T08:00", "closed_as": "withdrawn"},
        },
    },
    "repairs say no more than which report they answer": {
        "repairs": {
            4: {"circuit_id": ""},
            5: {"light_id": ""},
            7: {"light_id": "", "circuit_id": ""},
        },
    },
    "there are no reports, and no weather": {
        name: TABLES[name].splitlines()[0] + "\n" for name in ("reports", "weather")
    },
}
"""What is spoilt, and how."""


def turning_points(store: Store) -> list[int]:
    """Instants at which what is known changes, and the ones just after."""
    found = set()
    for name in ("lights", "reports", "repairs", "patrols", "sightings", "weather"):
        for row in store.rows(name):
            found |= {row["happened"], row["recorded"]}
            if row.get("removed_on"):
                found.add(CLOCK.instant(row["removed_on"]))
            if row.get("closed_at"):
                found.add(CLOCK.instant(row["closed_at"]))
    first, last = CLOCK.instant("2016-01-02"), CLOCK.instant("2020-01-01")
    near = {at + late for at in found if at is not None for late in (0, 1)}
    return sorted(at for at in near if first < at <= last)


@pytest.mark.parametrize("case", CASES)
def test_a_little_town_cut_off_answers_as_the_whole_did(case, tmp_path):
    source = little_town(tmp_path / "town", **CASES[case])
    whole = open_store(f"sqlite:///{tmp_path}/whole.db", create=True)
    assert take_in(whole, source).rejects == []
    points = turning_points(whole)
    few = points[:: max(1, len(points) // 6)] if case == "as it is" else points[7::29]
    for at in few:
        target = tmp_path / str(at)
        target.mkdir()
        assert_same(whole, source, target, CLOCK.at(at))
        cut = open_store(f"sqlite:///{target}/store.db")
        for name in ("reports", "repairs"):
            frames = (getattr(Known(store, at), name) for store in (cut, whole))
            pd.testing.assert_frame_equal(*frames)
