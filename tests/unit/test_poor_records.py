"""Records as poor as people have them: what is absent, repeated, or named otherwise."""

from __future__ import annotations

import json

import pytest

from lightwatch.errors import NotUnderstood
from lightwatch.observations.entry import light_tagged
from lightwatch.observations.export import export
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.missing import read_answers
from lightwatch.observations.outcome import Outcome
from tests.mapped_town import mapped_town, take_in_mapped
from tests.towns import (
    CLOCK,
    TABLES,
    lines_in,
    little_town,
    new_store,
    table,
    take_in,
)


@pytest.fixture
def loaded(tmp_path):
    """Load the little town, spoilt as told, into a new store."""

    def do(**changes) -> Outcome:
        do.store = new_store(tmp_path)
        return take_in(do.store, little_town(tmp_path / "town", **changes))

    return do


def known(store, day: str | None = None) -> Known:
    return Known(store, CLOCK.instant(day) if day else default_as_of(store))


def warned(outcome: Outcome) -> list[str]:
    return [one[2] for one in outcome.warnings if "clock change" not in one[2]]


# Files that are not there ---------------------------------------------------------


def test_lights_alone_are_a_register(loaded):
    outcome = loaded(**dict.fromkeys([*TABLES, "roads"]) | {"lights": TABLES["lights"]})
    assert outcome.rejects == []
    assert set(outcome.counts) == {"lights"}
    assert set(outcome.absent) >= {"repairs", "reports", "circuits", "components"}
    assert len(known(loaded.store).lights) == 10


def test_circuits_that_no_file_lists_are_made_from_lights(loaded):
    feeds = {2: "underground", 3: "underground", 6: "overhead", 7: "underground"}
    lights = {line: {"feed": feed} for line, feed in feeds.items()}
    outcome = loaded(lights=lights, circuits=None, sections=None, components=None)
    assert outcome.rejects == []
    assert outcome.circuits_made == 2
    circuits = known(loaded.store).circuits
    feed = dict(zip(circuits["circuit_id"], circuits["feed"], strict=True))
    assert feed == {"C1": "underground", "C2": "mixed"}
    assert set(known(loaded.store).lights["circuit_id"]) == {"C1", "C2"}


def test_a_group_photocontrol_finds_its_circuit_though_no_file_lists_it(
    loaded, tmp_path
):
    outcome = loaded(circuits=None, sections=None)
    assert outcome.rejects == []
    assert outcome.counts["components"].loaded == 20
    again = take_in(loaded.store, tmp_path / "town")
    assert {(c.loaded, c.changed) for c in again.counts.values()} == {(0, 0)}


# Rows that say again what was said -------------------------------------------------


def test_a_row_that_repeats_another_is_no_reject(loaded):
    end = lines_in("circuits")
    again = {"circuit_id": "C1", "feed": "underground", "voltage": "230",
             "control": "own", "source": "T1"}  # fmt: skip
    outcome = loaded(circuits={end: again, end + 1: {**again, "source": "T9"}})
    count = outcome.counts["circuits"]
    assert (count.read, count.loaded, count.unchanged) == (4, 2, 1)
    assert (count.repeated, count.rejected) == (1, 1)
    assert outcome.rejects[0].row == end + 1


def test_a_row_that_repeats_one_of_an_earlier_batch_is_no_reject(loaded, monkeypatch):
    monkeypatch.setattr("lightwatch.observations.intake._AT_ONCE", 2)
    first = TABLES["weather"].splitlines()[1]
    other = first.replace("-4", "-5")
    outcome = loaded(weather=TABLES["weather"] + f"{first}\n{other}\n")
    count = outcome.counts["weather"]
    assert (count.loaded, count.repeated, count.rejected) == (5, 1, 1)
    assert [one.row for one in outcome.rejects] == [lines_in("weather") + 1]


def test_a_cabinet_that_stands_beside_each_of_its_lights_is_one(tmp_path):
    text = "Cabinet;Feed;Seen from\nC1;underground;L01\nC1;underground;L02\n"
    said = 'file = "cabinets.csv"\ndelimiter = ";"\n[circuits.columns]\n'
    said += 'circuit_id = "Cabinet"\nfeed = "Feed"\n'
    files = {"cabinets.csv": text + "C2;overhead;L05\nC1;overhead;L03\n"}
    _, outcome = take_in_mapped(*mapped_town(tmp_path / "town", files, circuits=said))
    count = outcome.counts["circuits"]
    assert (count.loaded, count.repeated, count.rejected) == (2, 1, 1)


# Closings and duplicates ------------------------------------------------------------


def test_a_report_is_open_until_strictly_after_it_was_closed(loaded):
    at = "2019-12-29T08:00"
    loaded(reports={12: {"closed_at": at, "closed_as": "nothing_found"}})
    for late, closed in ((0, False), (1, True)):
        then = Known(loaded.store, CLOCK.instant(at) + late).reports
        row = then.set_index("report_id").loc["Q11"]
        assert bool(row["closed"] == CLOCK.instant(at)) is closed
        assert row["closed_as"] == ("nothing_found" if closed else "")


def test_a_duplicate_lies_where_the_first_of_its_kind_does(loaded):
    end = lines_in("reports")
    row = {"received_at": "2019-12-30T10:00", "symptom": "out"}
    outcome = loaded(
        reports={
            end: {"report_id": "Q12", "duplicate_of": "Q13", **row},
            end + 1: {"report_id": "Q13", "duplicate_of": "Q11", **row},
            end + 2: {"report_id": "Q14", "duplicate_of": "Q99", **row},
        }
    )
    assert [(one.key, one.column) for one in outcome.rejects] == [("Q14", "light_id")]
    found = known(loaded.store).reports.set_index("report_id")
    assert list(found.loc[["Q12", "Q13"], "light_id"]) == ["L03", "L03"]
    assert list(found.loc[["Q12", "Q13"], "duplicate_of"]) == ["Q11", "Q11"]
    early = known(loaded.store, "2019-12-28T23:46").reports
    assert "Q11" in set(early["report_id"])
    assert "Q12" not in set(early["report_id"])


def test_a_duplicate_counts_as_one_once_it_was_closed_as_one(loaded):
    closing = {"closed_at": "2019-12-29T08:00", "closed_as": "duplicate"}
    loaded(reports={12: {**closing, "duplicate_of": "Q02"}})
    for day, original in (("2019-12-29T08:00", ""), ("2019-12-29T08:01", "Q02")):
        then = known(loaded.store, day).reports.set_index("report_id")
        assert then.loc["Q11", "duplicate_of"] == original


def test_a_closing_that_names_only_its_report_is_where_that_is(loaded):
    nowhere = {"light_id": "", "circuit_id": "", "section_id": ""}
    outcome = loaded(repairs={5: nowhere, 4: nowhere})
    assert outcome.rejects == []
    found = known(loaded.store).repairs.set_index("repair_id")
    assert found.loc["W04", ["report_id", "light_id"]].tolist() == ["Q04", "L10"]
    assert found.loc["W03", ["report_id", "light_id"]].tolist() == ["Q03", "L06"]
    assert found.loc["W03", "named"]


def test_without_reports_on_record_a_closing_says_nothing(loaded):
    outcome = loaded(repairs={5: {"light_id": "", "circuit_id": ""}}, reports=None)
    assert [one.key for one in outcome.rejects] == ["W04"]


# Lights named by their poles --------------------------------------------------------


def test_a_part_that_a_repair_does_not_name_is_of_the_kind_of_its_model(loaded):
    """A programme's part, too, or its model would count as of a kind of that name."""
    loaded(repairs={3: {"component": "gizmo", "cause": "programme"}})
    repairs = known(loaded.store).repairs.set_index("repair_id")
    assert repairs.at["W02", "fitted_model"] == "PC-A"
    assert repairs.at["W02", "component"] == "photocontrol"


def test_a_light_may_be_named_by_its_pole(loaded):
    outcome = loaded(
        reports={2: {"light_id": "p01"}},
        repairs={2: {"light_id": "P01"}},
        components={2: {"light_id": "P01"}},
        sightings={2: {"light_id": "P04"}},
    )
    assert outcome.rejects == []
    assert warned(outcome) == []
    assert set(outcome.tagged.values()) == {1}
    found = known(loaded.store)
    assert found.reports.set_index("report_id").loc["Q01", "light_id"] == "L01"
    assert found.repairs.set_index("repair_id").loc["W01", "light_id"] == "L01"
    assert len(found.components) == 20
    assert "L04" in set(found.sightings["light_id"])
    (first, *_) = loaded.store.rows("repairs")
    assert json.loads(first["extra"]) == {"light_id as given": "P01"}


def test_a_pole_of_several_lights_is_not_guessed(loaded):
    lights = {2: {"pole_id": "P9"}, 3: {"pole_id": "P9"}}
    outcome = loaded(lights=lights, repairs={2: {"light_id": "P9"}})
    assert outcome.tagged.total() == 0
    said = warned(outcome)
    assert "light_id P9 is a pole of L01, L02: not guessed" in said
    assert "light_id is not in lights; kept without it" in said


# The next month's export ------------------------------------------------------------


def next_month(folder, change: str = "", *, without: tuple[str, ...] = ()):
    rows = TABLES["lights"].splitlines()
    kept = [row for row in rows if row.split(",")[0] not in without]
    text = "\n".join([*kept, *([change] if change else [])]) + "\n"
    return little_town(folder, created="2020-02-01", lights=text)


RENUMBERED = "N01,N-1,15.640005,47.3200,R1,C1,S1,hps,83,2020-01-20,,"


def test_lights_that_an_export_no_longer_has_are_named_and_stay(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = next_month(tmp_path / "two", without=("L02", "L09"))
    outcome = take_in(store, later)
    assert [one.light_id for one in outcome.missing] == ["L02"]  # L09 is removed
    assert len(known(store).lights) == 10
    assert not take_in(store, little_town(tmp_path / "one")).missing  # it is older


def test_a_light_under_a_new_number_is_still_the_same(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = next_month(tmp_path / "two", RENUMBERED, without=("L01",))
    reports = lines_in("reports")
    row = {"report_id": "Q12", "received_at": "2020-01-25T18:00", "light_id": "N01"}
    (later / "reports.csv").write_text(
        table("reports", {reports: {**row, "symptom": "out"}}), "utf-8"
    )
    outcome = take_in(store, later)
    assert [(one.light_id, one.new_number) for one in outcome.missing] == [
        ("L01", "N01")
    ]
    lights = known(store).lights.set_index("light_id")
    assert len(lights) == 10
    assert lights.loc["L01", "pole_id"] == "N-1"
    assert lights["entered"].isna().loc["L01"]
    found = known(store).reports.set_index("report_id")
    assert found.loc["Q12", "light_id"] == "L01"
    assert light_tagged(store, "N01") == light_tagged(store, "N-1") == "L01"
    again = take_in(store, later)
    assert not again.missing
    assert {(c.loaded, c.changed) for c in again.counts.values()} == {(0, 0)}


def answered(tmp_path, store, folder, text: str) -> Outcome:
    path = tmp_path / "missing.csv"
    path.write_text("light_id,what,on,new_number\n" + text, "utf-8")
    return take_in(store, folder, answers=read_answers(path, CLOCK))


def test_a_light_that_was_removed_is_out_of_service_from_that_day(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = next_month(tmp_path / "two", without=("L02",))
    outcome = answered(tmp_path, store, later, "L02,removed,2020-01-10,\n")
    assert not outcome.missing
    lights = known(store).lights.set_index("light_id")
    assert lights.loc["L02", "removed_on"] == "2020-01-10"
    assert default_as_of(store) == CLOCK.instant("2020-02-01")
    assert not take_in(store, later).missing


def test_a_guess_that_a_person_denies_makes_two_lights(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = next_month(tmp_path / "two", RENUMBERED, without=("L01",))
    take_in(store, later)
    answered(tmp_path, store, later, "L01,removed,2020-01-10,\n")
    lights = known(store).lights.set_index("light_id")
    assert lights.loc["L01", "removed_on"] == "2020-01-10"
    assert lights.loc["N01", "removed_on"] == ""
    take_in(store, later)
    assert len(known(store).lights) == 11


def test_a_number_far_off_is_taken_at_a_persons_word(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    far = RENUMBERED.replace("15.640005", "15.6406")
    later = next_month(tmp_path / "two", far, without=("L01",))
    assert [one.new_number for one in take_in(store, later).missing] == [""]
    answered(tmp_path, store, later, "L01,renumbered,,N01\n")
    lights = known(store).lights.set_index("light_id")
    standing = lights[lights["removed_on"] == ""]
    assert "N01" not in standing.index
    assert light_tagged(store, "N01") == "L01"
    assert standing.loc["L01", "longitude"] == 15.6406


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("L02,gone,,", "'gone' is no answer"),
        ("L02,removed,soon,", "on 'soon'"),
        ("L02,renumbered,,", "new_number is missing"),
        ("L02,renumbered,,N99", "'N99' is not in the export's lights"),
        ("L99,removed,2020-01-10,", "'L99' is not on record"),
    ],
)
def test_an_answer_that_fits_nothing_is_one_clear_line(tmp_path, line, reason):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = next_month(tmp_path / "two", without=("L02",))
    with pytest.raises(NotUnderstood, match=f"line 2: .*{reason}") as refused:
        answered(tmp_path, store, later, line + "\n")
    assert "\n" not in str(refused.value)
    assert len(store.loads()) == 1


# Out again ---------------------------------------------------------------------------


def held(store) -> str:
    """All that a store holds, but for the numbers of loads and who loaded."""
    names = [*TABLES, "roads"]
    rows = {n: [{**row, "load_id": None} for row in store.rows(n)] for n in names}
    past = {n: [{**r, "position": 0} for r in store.history(n)] for n in names}
    return json.dumps([rows, past], sort_keys=True)


def test_what_came_in_poor_goes_out_and_comes_back_the_same(tmp_path):
    store = new_store(tmp_path)
    spoilt = {
        "lights": {5: {"watts": "286(LED)"}, 6: {"feed": "overhead"}},
        "repairs": {2: {"light_id": "P01"}, 5: {"light_id": ""}},
        "reports": {3: {"closed_at": "2016-12-01T10:00", "closed_as": "other"}},
        "circuits": None,
    }
    take_in(store, little_town(tmp_path / "one", **spoilt))
    later = next_month(tmp_path / "two", RENUMBERED, without=("L01", "L02"))
    take_in(store, later)
    export(store, tmp_path / "out")
    (tmp_path / "again").mkdir()
    again = new_store(tmp_path / "again")
    outcome = take_in(again, tmp_path / "out")
    assert outcome.rejects == []
    assert held(again) == held(store)
    assert default_as_of(again) == default_as_of(store)
