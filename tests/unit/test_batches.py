"""Bad batches: who counts, against whom, and when the alarm may be raised."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.decisions.assumptions import CampaignCosts
from lightwatch.decisions.batches import (
    Batch,
    batches,
    campaign,
    judged,
)
from lightwatch.decisions.batches.ageing import AGES, CELLS, Counts, curves
from lightwatch.decisions.batches.alarm import (
    ALARMS_PER_YEAR,
    FACTORS,
    Month,
    _odds,
    stakes,
)
from lightwatch.decisions.batches.batches import judge
from lightwatch.decisions.batches.law import ratios
from lightwatch.decisions.batches.tally import tally
from lightwatch.decisions.batches.units import Units, units
from lightwatch.errors import NotUnderstood
from lightwatch.lives import Lives, lives
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from tests.recovery.batch_study import BAD, CLEAN, CLOCK, OPENED, as_of, world_units
from tests.towns import lines_in, little_town, new_store, take_in

SMALL = replace(BAD, places=1200)
WORST = ("EB", 2013)


def lives_of(folder, **files) -> Lives:
    store = new_store(folder)
    take_in(store, little_town(folder / "town", **files))
    return lives(Register(Known(store, default_as_of(store))))


def names(found) -> list[tuple[str, str]]:
    return [(one.model, one.vintage) for one in found]


@pytest.fixture(scope="module")
def bad_world() -> Units:
    return world_units(SMALL, 3)


def raised_in(found: Units) -> dict[tuple[str, int], float]:
    raised = judge(found).raised
    rows = zip(found.table["model"], found.table["vintage"], raised, strict=True)
    return {(str(m), int(v)): at for m, v, at in rows if np.isfinite(at)}


# Who counts ---------------------------------------------------------------------


def test_a_date_of_a_year_is_that_year_in_local_time(tmp_path):
    found, _ = units(lives_of(tmp_path))
    lamps = found.table[found.table["model"] == "LP-70"]
    assert {2011, 2013} <= set(lamps["vintage"])
    assert 2010 not in set(lamps["vintage"])


def test_a_unit_without_model_type_or_year_is_in_no_batch_and_counted(tmp_path):
    _, before = units(lives_of(tmp_path))
    row = {lines_in("components"): {"light_id": "L05", "kind": "ballast"}}
    other = tmp_path / "other"
    other.mkdir()
    unlisted = {3: {"fitted_model": "NOT-LISTED"}}
    _, after = units(lives_of(other, components=row, repairs=unlisted))
    assert after.no_model == before.no_model + 1
    assert after.no_type == before.no_type + 1
    assert before.no_year == 1, "the photocontrol of L02 has no date"


def test_a_group_photocontrol_is_held_by_its_circuit(tmp_path):
    one = next(b for b in batches(lives_of(tmp_path)) if b.circuits)
    assert (one.model, one.vintage, one.circuits) == ("PC-A", "2017", ("C2",))
    assert one.lights == ()
    assert one.in_service == 1


def test_a_conversion_ends_the_lamp_and_starts_units_of_its_year(tmp_path):
    found = {(b.model, b.vintage): b for b in batches(lives_of(tmp_path))}
    assert found["DR-40", "2019"].lights == ("L04",)
    assert "L04" not in found["LP-70", "2015"].lights


def test_a_batch_alone_of_its_kind_and_type_has_no_peers(tmp_path):
    answer = judged(lives_of(tmp_path))
    assert not [b for b in answer.batches if b.model == "BL-70"]
    assert answer.without_peers > 0


def test_a_part_of_the_lives_is_refused(tmp_path):
    data = lives_of(tmp_path)
    with pytest.raises(NotUnderstood, match="all lives"):
        batches(replace(data, frame=data.frame.iloc[1:]))


def test_a_failure_that_did_not_hold_counts_for_the_alarm_but_not_in_the_ratio():
    found = world_units(SMALL, 3)
    failed = found.frame["failed"]
    frame = found.frame.assign(held=failed & (np.arange(len(failed)) % 2 == 0))
    counted = tally(replace(found, frame=frame))
    assert counted.failures.sum() == frame["held"].sum()
    assert len(counted.events) == len(tally(found).events)


# The monthly count --------------------------------------------------------------


def one_kind(rows: list[tuple]) -> Units:
    """Two models of 2013; a row is model, light, first and last day, failed."""
    frame = pd.DataFrame(
        rows, columns=["batch", "light_id", "enter", "leave", "failed"]
    )
    at = [float(CLOCK.instant(day)) if day else np.inf for day in frame["leave"]]
    begun = [float(CLOCK.instant(day)) for day in frame["enter"]]
    frame = frame.assign(
        circuit_id="C1", enter=begun, born=begun, leave=at, again=False,
        held=frame["failed"],
    )  # fmt: skip
    table = pd.DataFrame(
        {"kind": "driver", "type": "led", "model": ["A", "B"], "vintage": 2013,
         "maker": ""}
    )  # fmt: skip
    return Units(frame, table, CLOCK.instant("2013-05-16"))


def test_units_are_counted_at_the_first_of_each_month_by_age():
    counted = tally(
        one_kind(
            [
                (0, "L1", "2013-01-10", "2013-04-20", True),
                (1, "L2", "2013-02-10", "", False),
            ]
        )
    )
    there = counted.at_risk.sum(axis=1)
    assert there[0].tolist() == [0, 1, 1, 1, 0, 0]
    assert there[1].tolist() == [0, 0, 1, 1, 1, 1]
    assert counted.failures.sum(axis=(1, 2)).tolist() == [1, 0]
    assert counted.events["month"].tolist() == [3]
    assert counted.exposure()[1].sum() == pytest.approx(0.5 + 1 + 1 + 15 / 31, abs=0.01)


def test_failures_of_one_circuit_within_a_week_are_one_for_the_alarm():
    rows = [
        (0, "L1", "2013-01-10", "2013-04-10", True),
        (0, "L2", "2013-01-10", "2013-04-12", True),
        (1, "L3", "2013-01-10", "2013-04-25", True),
        (1, "L4", "2013-01-10", "", False),
    ]
    counted = tally(one_kind(rows))
    assert len(counted.events) == 2
    assert counted.failures.sum() == 3


# Peers --------------------------------------------------------------------------


def test_a_batch_does_not_speak_for_its_own_peers():
    failures, exposure = np.zeros((3, CELLS, 12)), np.zeros((3, CELLS, 12))
    exposure[:, 2] = 100.0
    failures[:, 2] = 1.0
    worse = failures.copy()
    worse[0] *= 20
    speaks = np.ones(3, dtype=bool)
    before = curves(Counts(failures, exposure), speaks).hazard[:, 2]
    after = curves(Counts(worse, exposure), speaks).hazard[:, 2]
    assert after[0] == pytest.approx(before[0])
    assert after[1] > 2 * before[1]
    quiet = curves(Counts(worse, exposure), np.array([False, True, True]))
    assert quiet.hazard[1, 2] < 1.5 * before[1]


def test_hazards_of_peers_are_failures_over_time_where_there_is_plenty():
    rng = np.random.default_rng(1)
    exposure = np.zeros((2, CELLS, 120))
    exposure[:, :AGES] = 400.0
    middle = np.array([3, 9, 18, 30, 42, 54, 72, 96, 126, 162, 210, 300]) / 12
    true = 0.002 * (middle / 5) ** 0.8
    failures = np.zeros_like(exposure)
    failures[:, :12] = rng.poisson(400 * true[None, :, None], (2, 12, 120))
    exposure[:, 12:] = 0.0
    found = curves(Counts(failures, exposure), np.ones(2, dtype=bool)).hazard
    assert np.allclose(found[0, 2:12], true[2:], rtol=0.12)


def test_a_bad_batch_does_not_make_its_peers_look_bad(bad_world):
    found = judge(bad_world).excess
    table = bad_world.table
    rest = (table["type"] == "electronic") & ~(
        (table["model"] == "EB") & (table["vintage"] == 2013)
    )
    assert (found.low[rest.to_numpy() & found.known] < 1).all()
    assert found.ratio[rest.to_numpy() & found.known].mean() == pytest.approx(
        1, abs=0.1
    )


# The alarm ----------------------------------------------------------------------


@given(
    share=st.floats(0.001, 0.999), granted=st.floats(1.0, 8.0), true=st.floats(0.2, 8.0)
)
@settings(max_examples=60, deadline=None)
def test_a_stake_does_not_grow_on_average_while_a_batch_is_no_worse_than_granted(
    share, granted, true
):
    mine, every = (
        np.exp(one[0]) for one in _odds(np.array([share]), np.array([granted]))
    )
    ratio = min(true, granted)
    own = ratio * share / (1 - share + ratio * share)
    growth = own * mine * every + (1 - own) * every
    assert np.all(growth <= 1 + 1e-9)
    if ratio == granted:
        assert np.allclose(growth, 1)


def test_the_stakes_of_a_month_are_a_twelfth_of_the_years_false_alarms():
    at_risk = np.random.default_rng(2).integers(0, 9, (5, CELLS, 7)).astype(float)
    assert np.allclose(stakes(at_risk).sum(axis=0), ALARMS_PER_YEAR / 12)
    assert stakes(np.zeros((5, CELLS, 7))).sum() == 0


def test_the_alarm_is_raised_by_the_first_record_that_brings_a_stake_to_one():
    """Share 1/2, factor 4 against 1: own failure times 8/5, another's times 2/5."""
    mine = np.full((2, FACTORS.size), np.log(4.0))
    every = np.full((2, FACTORS.size), np.log(0.4))
    month = Month(np.array([0, 1, 0, 0, 0]), np.array([1.0, 2.0, 3.0, 4.0, 5.0]))
    # Of a stake of .6, after each record: .96, .384, .614, .983, 1.57.
    wealth = np.full((2, FACTORS.size), np.log(0.6 / FACTORS.size))
    assert month.first_over(wealth, (mine, every)) == {0: 5.0}


def test_the_alarm_stands_to_the_day_when_looked_back_upon(bad_world):
    whole = raised_in(bad_world)
    assert WORST in whole
    at = whole[WORST]
    for later in (1.0, 3 * DAY, 200 * DAY):
        assert raised_in(as_of(bad_world, at + later))[WORST] == at
    assert WORST not in raised_in(as_of(bad_world, at)), "recorded strictly before"


def test_two_bad_batches_do_not_hide_each_other():
    found = world_units(replace(SMALL, bad=("TA", 2012, 6.0)), 5)
    frame = found.frame
    worse = frame["batch"].map(
        (found.table["model"] == "TB") & (found.table["vintage"] == 2014)
    )
    early = worse & frame["failed"] & (frame.index % 2 == 0)
    sooner = frame["enter"] + (frame["leave"] - frame["enter"]) * 0.5
    frame = frame.assign(leave=frame["leave"].where(~early, sooner))
    still = worse & np.isinf(frame["leave"]) & (frame.index % 4 < 3)
    age = 200 * DAY + frame.index.to_numpy() % 97 * 10 * DAY
    frame = frame.assign(
        leave=frame["leave"].where(~still, np.minimum(frame["enter"] + age, 1.58e15)),
        failed=frame["failed"] | still,
        held=frame["held"] | still,
    )
    frame = frame.assign(leave=frame["leave"].where(frame["leave"] > frame["enter"]))
    found = replace(found, frame=frame[frame["leave"].notna()].reset_index(drop=True))
    assert {("TA", 2012), ("TB", 2014)} <= set(raised_in(found))


def test_a_town_of_one_day_raises_no_alarm():
    found = as_of(world_units(replace(CLEAN, places=300), 1), OPENED + 1.0 * DAY)
    assert raised_in(found) == {}


# The ratio ----------------------------------------------------------------------


def test_one_bad_batch_among_many_is_not_talked_down_to_them():
    due = np.full(80, 25.0)
    failures = np.random.default_rng(3).poisson(due).astype(float)
    failures[0] = 80
    found = ratios(failures, due, np.full(80, 1e9))
    assert found.low[0] > 2.4
    assert found.mean[0] == pytest.approx(3.2, abs=0.15)
    assert (found.low[1:] < 1).all()
    assert (found.high[1:] > 1).all()


def test_limits_are_wider_where_few_failures_of_peers_speak():
    failures, due = np.array([20.0, 10, 12]), np.array([10.0, 10, 10])
    sure, unsure = (ratios(failures, due, np.array([n, 1e9, 1e9])) for n in (1e9, 8.0))
    assert unsure.low[0] < sure.low[0]
    assert unsure.high[0] > sure.high[0]


def test_a_batch_of_which_nothing_was_expected_keeps_the_law_of_all():
    found = ratios(np.zeros(3), np.array([0.0, 5, 5]), np.full(3, 100.0))
    assert 0 < found.low[0] < found.mean[0] < found.high[0]


# The campaign -------------------------------------------------------------------

ONE = Batch(
    model="A", vintage="2019", maker="", kind="photocontrol", type="electronic",
    failures=40, expected=10.0, ratio=4.0, low=3.0, high=5.0, in_service=100,
    alarm_on="2020-05-01", failures_by_alarm=12, lights=(), circuits=(),
    next_2y=10.0, next_2y_renewed=2.0, unit_cost=14.0,
)  # fmt: skip


def test_a_campaign_by_hand():
    costs = CampaignCosts(failure_visit=180.0, planned_visit=30.0)
    found = campaign(ONE, costs)
    without = 100 * (1 - np.exp(-0.4))
    done = 100 * (1 - np.exp(-0.02))
    assert found.failures_if_not.mean == pytest.approx(without)
    assert found.avoided.mean == pytest.approx(without - done)
    assert found.cost == 100 * 44.0
    assert found.saved is not None
    assert found.saved.mean == pytest.approx((without - done) * 194.0)
    assert found.net is not None
    assert found.net.low < found.net.mean < found.net.high


def test_a_campaign_of_unknown_price_says_so_and_none_left_costs_nothing():
    unknown = campaign(replace(ONE, unit_cost=None))
    assert (unknown.cost, unknown.saved, unknown.net) == (None, None, None)
    assert unknown.avoided.mean > 0
    none = campaign(replace(ONE, in_service=0, next_2y=0.0, next_2y_renewed=0.0))
    assert none.cost == 0
    assert none.avoided.mean == 0


def test_a_negative_cost_is_refused():
    with pytest.raises(NotUnderstood, match="part must not be negative"):
        CampaignCosts(part=-1.0)


def test_an_empty_register_has_no_batches(tmp_path):
    components = "light_id,circuit_id,kind,model,installed_on\n"
    repairs = "repair_id,performed_at,light_id,cause,action\n"
    found = judged(lives_of(tmp_path, components=components, repairs=repairs))
    assert found.batches == ()
    assert found.without_peers == 0
