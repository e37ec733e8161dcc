"""A patrol planned on public street networks, as their packages carry them."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import pytest

from lightwatch.decisions.patrol import Order, plan_patrol
from lightwatch.lives import lives
from tests.published import test_public_network as networks

tempe, bubenec = networks.tempe, networks.bubenec
NIGHT = date(2025, 9, 30)


@pytest.mark.parametrize("name", ["tempe", "bubenec"])
def test_a_crew_with_enough_time_looks_at_every_street_it_can_drive_to(request, name):
    network = request.getfixturevalue(name)
    place = lives(network.register)
    plan = plan_patrol(place, Order(NIGHT, crews=2, hours=6.0), seconds=0)
    looked = {light for c in plan.crews for leg in c.legs for light in leg.lights}
    assert len(looked) > 0.9 * len(network.register.standing)
    for crew in plan.crews:
        for before, after in pairwise(crew.legs):
            assert before.line[-1] == after.line[0]
        assert crew.legs[0].line[0] == crew.legs[-1].line[-1] == plan.depot


def test_an_hour_in_tempe_is_spent_where_the_most_is_expected(request):
    network = request.getfixturevalue("tempe")
    place = lives(network.register)
    hour = plan_patrol(place, Order(NIGHT, hours=1.0), seconds=3.0)
    whole = plan_patrol(place, Order(NIGHT, hours=8.0), seconds=0)
    assert 0.9 < hour.crews[0].hours <= 1.0 + 1e-6
    assert 0 < hour.found < whole.found
