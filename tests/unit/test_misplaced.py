"""Reports that name another light than is meant."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree

from lightwatch.decisions.triage.grid import in_number
from lightwatch.decisions.triage.misplaced import (
    Misplaced,
    Neighbours,
    drawn,
    misplaced,
)

METRES = 1 / 6_371_000.0


def _ids(n):
    return pd.Index([f"L{i}" for i in range(1, n + 1)], dtype=object)


def _row(n, apart_m=30.0):
    return np.column_stack([np.arange(n) * apart_m, np.zeros(n)])


def test_the_next_in_number_is_found_though_it_hangs_far_away():
    place = _row(12)
    place[9] = (0.0, 5_000.0)  # L10
    pairs = Neighbours.of(_ids(12), place, np.array([9]))
    by_number = {int(other) for other in pairs.other[pairs.by_number]}
    assert by_number == {8, 10}
    assert not set(pairs.other[~pairs.by_number])


def test_the_nearest_are_found_but_not_the_light_itself_nor_the_far():
    pairs = Neighbours.of(_ids(9), _row(9), np.array([4]))
    assert {int(one) for one in pairs.other[~pairs.by_number]} == {2, 3, 5, 6}
    far = Neighbours.of(_ids(9), _row(9, 100.0), np.array([4]))
    assert not len(far.other[~far.by_number])


def _register(pairs, n=40):
    place = _row(n, 30.0) * np.degrees(METRES)
    # Odd numbers on one road, even on another: next in number is never near.
    place[1::2] += (0.0, 0.1)
    lights = pd.DataFrame(
        {"light_id": _ids(n), "longitude": place[:, 0], "latitude": place[:, 1]}
    )
    reports = pd.DataFrame(
        {
            "report_id": [f"R{i}" for i in range(len(pairs))],
            "light_id": [said for said, _ in pairs],
        }
    )
    repairs = pd.DataFrame(
        {
            "light_id": [meant for _, meant in pairs],
            "report_id": reports["report_id"],
            "action": "replaced",
        }
    )
    known = SimpleNamespace(lights=lights, reports=reports, repairs=repairs)
    return SimpleNamespace(known=known)


def test_how_reports_go_astray_is_read_off_those_answered_elsewhere():
    right = [(f"L{i}", f"L{i}") for i in range(1, 31)] * 3
    by_number = [(f"L{i}", f"L{i + 1}") for i in range(1, 31)]
    near = [(f"L{i}", f"L{i + 2}") for i in range(1, 31)]
    read = misplaced(_register(right + by_number))
    assert read.share == pytest.approx(30.5 / 130)
    assert read.by_number == pytest.approx(31 / 32)
    assert misplaced(_register(right + near)).by_number == pytest.approx(1 / 32)
    assert misplaced(_register(right)).share < 0.01


def _reached(own, told=(0, 1), n=2):
    place = _row(n, 1_000.0)
    grid = SimpleNamespace(
        lights=range(n), light_ids=_ids(n), metres=place, near=cKDTree(place),
        in_number=in_number(_ids(n)), whole=None,
    )  # fmt: skip
    told = np.array(told)
    return drawn(
        grid, told, np.full(len(told), own), 1e-5, np.full(len(told), 0.05),
        Misplaced(0.1, 1.0),
    )  # fmt: skip


def test_of_two_lights_told_of_both_cannot_be_astray():
    """Exactly: own x own, and own x astray either way; never astray x astray."""
    astray = 0.1 * 0.05 / 2
    for own in (2e-5, 2e-4, 2e-3):
        exact = own**2 + 2 * own * astray
        found = (own + _reached(own)[0]) ** 2
        assert 0.5 < found / exact < 2.0
        naive = (own + astray) ** 2
        assert abs(np.log(found / exact)) < abs(np.log(naive / exact))


def test_a_light_told_of_alone_draws_reports_to_its_neighbour_not_to_itself():
    reached = _reached(1e-3, told=(0,))
    assert reached[0] == 0.0
    assert reached[1] == pytest.approx(0.1 * 0.05 / 2, rel=0.02)
