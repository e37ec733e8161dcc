"""What the records can answer: figures, how well, and what would add most."""

from __future__ import annotations

from pathlib import Path

from lightwatch.decisions.coverage import Coverage, Filled, coverage
from lightwatch.decisions.grounds import grounds
from lightwatch.lives import lives
from reports.coverage import coverage_document, coverage_text, share_said
from tests.absent_records import LIGHTS, REPORTS, TOWNS, town
from tests.packages import take_in, write_package


def covered(folder: Path, name: str) -> Coverage:
    return coverage(lives(town(folder, TOWNS[name]).register))


def test_a_share_is_none_or_all_only_where_it_is() -> None:
    assert share_said(Filled("repairs", "", 1, 1000)) == "1 %"
    assert share_said(Filled("repairs", "", 999, 1000)) == "99 %"
    assert share_said(Filled("repairs", "", 0, 1000)) == "0 %"
    assert share_said(Filled("repairs", "", 0, 0)) == "none"


def test_what_is_missing_is_asked_for_by_how_much_it_would_add(tmp_path: Path) -> None:
    found = covered(tmp_path, "both")
    filled = {(one.file, one.what): one for one in found.filled}
    assert filled["repairs", "say what had failed"].share == 1.0
    assert filled["lights", "name a circuit"].share == 0.0
    assert filled["models", "have a unit cost"].share is None
    weights = [one.weight for one in found.wanted]
    assert weights == sorted(weights, reverse=True)
    assert found.wanted[0].record.startswith("the circuit of each light")
    assert not any(one.record == "reports" for one in found.wanted)


def test_reports_far_from_any_light_are_counted(tmp_path: Path) -> None:
    far = [
        {**row, "light_id": "", "longitude": "15.7", "latitude": "47.4"}
        for row in REPORTS[:6]
    ]
    tables = {"lights": LIGHTS, "reports": [*far, *REPORTS[6:]]}
    register = take_in(
        write_package(
            tmp_path / "town",
            tables,
            created="2020-01-01T00:00:00Z",
            opened_on="2019-01-01",
        )
    ).register
    found = coverage(lives(register))
    put = {one.what: one for one in found.filled if one.file == "reports"}
    assert (put["are put on one"].have, put["are put on one"].of) == (6, 12)
    assert "6 of 12 reports" in " ".join(grounds(register, "outages").missing)
    how = {one.command: one.how_well for one in found.answers}
    assert how["outages, map"] == "thin"
    assert how["rates"] == "not at all"


def test_screen_and_document_say_the_same(tmp_path: Path) -> None:
    register = town(tmp_path, TOWNS["both"]).register
    found, clock = coverage(lives(register)), register.known.clock
    asked = ("now", found, register.as_of, clock)
    document, screen = coverage_document(*asked), coverage_text(*asked)
    said = {one["kind"]: one for one in document["records"]}
    assert said["repairs"]["count"] == 11
    assert said["repairs"]["run_on"]
    assert "Nov 2019" in screen
    for one in document["would_add_most"]:
        assert one["record"].split(" (")[0] in " ".join(screen.split())
