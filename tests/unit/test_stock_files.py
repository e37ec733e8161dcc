"""What a storekeeper gets: table, sheet and picture without a statistical word."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from openpyxl import load_workbook

from lightwatch.decisions.assumptions import Assumptions, read_assumptions
from lightwatch.decisions.stock import Terms, advice, stock
from lightwatch.decisions.stock.scenario import Scenario
from lightwatch.lives import lives
from reports.sheets import harmless
from reports.stock import stock_document, stock_text
from reports.stock_advice import advice_document, advice_text, claims_csv
from reports.stock_charts import fans
from reports.stock_files import write_files
from reports.stock_sheets import HEAD, order_csv, order_xlsx
from tests.stocked_towns import MODELS, register, repair

STATISTICAL = ("quantile", "percentile", "median", "confidence", "interval", "sigma",
               "variance", "deviation", "probability", "distribution", "poisson",
               "posterior", "stochastic", "p95", "expected value")  # fmt: skip
NASTY = '=HYPERLINK("x")'


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    often = [repair(i, f"{2018 + i // 60}-{i % 12 + 1:02d}-15T12:00:00", (7 * i) % 60)
             for i in range(240)]  # fmt: skip
    found = register(tmp_path_factory.mktemp("files"), repairs=often)
    return stock(found, 12, Terms(), scenario=Scenario(lead_time=1.5), paths=200)


@pytest.fixture(scope="module")
def advised(plan):
    return advice(plan, lives(plan.fitted.register))


def test_the_advice_says_what_visits_cost_and_whence_that_is(plan, tmp_path) -> None:
    ours = tmp_path / "ours.toml"
    ours.write_text("[visits]\nfailure = 999\nwhile_there = 0.5\n", "utf-8")
    lived = lives(plan.fitted.register)
    usual, own = Assumptions(), read_assumptions(ours)
    before, after = (
        advice_text(advice(plan, lived, one.visits), one) for one in (usual, own)
    )
    assert "(assumed, no source, local currency): 180 to a light that failed" in before
    assert "(as given, local currency): 999 to a light that failed" in after
    assert "0.5 more while there" in after


def nasty(plan):
    first = plan.orders[0]
    item = replace(first.item, model=NASTY)
    return replace(plan, orders=(replace(first, item=item), *plan.orders[1:]))


def test_no_statistical_word_reaches_the_storekeeper(plan, advised) -> None:
    said = stock_text("today", plan) + order_csv(plan) + "".join(HEAD)
    said += advice_text(advised, Assumptions())

    found = [word for word in STATISTICAL if word in said.lower()]
    assert found == []


def test_the_table_says_what_to_order_and_why(plan) -> None:
    said = stock_text("2022-01-01", plan)
    ordered = [one for one in plan.orders if one.quantity]

    assert ordered
    for one in ordered:
        assert one.item.model in said
    assert "will be used before the next order could be in" in " ".join(said.split())
    assert "What if:" in said


def test_a_day_without_orders_says_why(plan) -> None:
    assert "No orders as of today" in stock_text("today", replace(plan, orders=()))


@pytest.mark.parametrize("risky", ["=1+1", "+1+1", "-1-1", "@a", "\tx", "\rx", "  =1"])
def test_a_cell_that_would_run_does_not(risky: str) -> None:
    assert harmless(risky) == f"'{risky}"


def test_numbers_and_plain_words_stay_as_they_are() -> None:
    assert [harmless(x) for x in (-3, 2.5, "S100", "", "+1", "-1")] == [
        -3,
        2.5,
        "S100",
        "",
        "+1",
        "-1",
    ]


def test_no_cell_of_the_sheets_runs(plan, tmp_path) -> None:
    bad = nasty(plan)
    order_xlsx(bad, "today", tmp_path / "order.xlsx")
    sheet = load_workbook(tmp_path / "order.xlsx").active
    kinds = {cell.data_type for row in sheet.iter_rows() for cell in row}
    rows = list(csv.reader(io.StringIO(order_csv(bad))))

    assert "f" not in kinds
    assert NASTY in {cell.value for cell in sheet["B"]}
    assert rows[1][1] == f"'{NASTY}"


def test_the_sheet_has_a_line_an_item_and_the_orders_first(plan, tmp_path) -> None:
    order_xlsx(plan, "today", tmp_path / "order.xlsx")
    sheet = load_workbook(tmp_path / "order.xlsx").active
    quantities = [row[0].value for row in sheet.iter_rows(min_row=3)]

    assert [cell.value for cell in sheet[2]] == list(HEAD)
    assert len(quantities) == len(plan.orders)
    assert quantities[: sum(q > 0 for q in quantities)] == [q for q in quantities if q]


def test_a_picture_for_each_kind_parses_and_says_what_it_shows(plan) -> None:
    drawn = fans(plan, "today")

    assert set(drawn) == {"use-fuse.svg", "use-photocontrol.svg"}
    for text in drawn.values():
        root = ElementTree.fromstring(text)
        assert root.find("{http://www.w3.org/2000/svg}desc") is not None
        assert text.count("<polygon") == 2
        assert "nan" not in text.lower()


def test_all_files_are_written(plan, advised, tmp_path) -> None:
    made = write_files(tmp_path / "out", "today", plan, advised)

    assert {path.name for path in made} == {
        "order.csv", "order.xlsx", "claims.csv", "use-fuse.svg",
        "use-photocontrol.svg",
    }  # fmt: skip
    assert all(path.stat().st_size for path in made)


def test_the_document_agrees_with_the_paths(plan) -> None:
    document = stock_document("2022-01-01T00:00:00+00:00", plan)
    row = document["demand"][0]
    found = plan.forecast
    item = found.items[0]

    assert (row["kind"], row["model"], row["depot"]) == (
        item.kind, item.model, item.depot,
    )  # fmt: skip
    assert row["month"] == "2022-01"
    assert row["mean"] == found.of(item)[:, 0].mean()
    by_kind = {(r["kind"], r["month"]): r["mean"] for r in document["by_kind"]}
    summed: dict[tuple[str, str], float] = {}
    for one in document["demand"]:
        key = one["kind"], one["month"]
        summed[key] = summed.get(key, 0.0) + one["mean"]
    assert by_kind == pytest.approx(summed)
    assert document["what_if"]["name"] == "what if"


def test_claims_show_their_evidence(tmp_path) -> None:
    """A photocontrol fitted in 2020 that failed in 2021 was inside its six years."""
    rows = [
        repair(1, "2020-03-01T12:00:00", 2),
        repair(2, "2021-06-01T12:00:00", 2),
        repair(3, "2021-07-01T12:00:00", 4, cause="knockdown"),
    ]
    found = register(tmp_path, repairs=rows)
    advised = advice(stock(found, paths=50), lives(found))
    claim = advised.claims[0]

    assert len(advised.claims) == 1
    assert (claim.light_id, claim.model, claim.repair_id) == ("L002", "PC-A", "W0002")
    assert (claim.fitted, claim.failed) == ("2020-03-01", "2021-06-01")
    assert claim.surely
    assert claim.age_years == pytest.approx(1.25, abs=0.01)
    assert "L002" in claims_csv(advised)


def test_a_part_older_than_its_warranty_is_no_claim(tmp_path) -> None:
    short = [{**MODELS[0], "warranty_years": 1}, *MODELS[1:]]
    rows = [repair(1, "2020-03-01T12:00:00", 2), repair(2, "2021-06-01T12:00:00", 2)]
    found = register(tmp_path, repairs=rows, models=short)

    assert advice(stock(found, paths=50), lives(found)).claims == ()


def test_expected_claims_are_of_parts_under_warranty(advised) -> None:
    ahead = {one.model: one for one in advised.claims_ahead}

    assert ahead["PC-A"].under_warranty <= 30
    assert ahead["PC-A"].low <= ahead["PC-A"].expected <= ahead["PC-A"].high + 1
    assert "FU-6" not in ahead


@pytest.mark.parametrize("missing", ["models", "stock", "repairs", "components"])
def test_a_town_without_a_table_still_gets_an_answer(tmp_path, missing: str) -> None:
    found = register(tmp_path, **{missing: []})
    made = stock(found, paths=50)
    document = stock_document("2022-01-01T00:00:00+00:00", made)

    json.dumps([document, advice_document(advice(made, lives(found)))], allow_nan=False)
    assert {row["kind"] for row in document["demand"]} <= {"photocontrol", "fuse"}


def test_advice_is_a_document(advised) -> None:
    document = advice_document(advised)

    assert set(document) == {"while_there", "districts", "claims", "claims_expected"}
    assert all(np.isfinite(row["saving"]) for row in document["while_there"])
