"""What was known can be read ahead of the questions, and is the same."""

from __future__ import annotations

import pandas as pd
import pytest

from lightwatch.errors import Unavailable
from lightwatch.observations.known import Known, default_as_of
from lightwatch.store import open_store
from tests.small_city import small_city


def test_what_is_read_ahead_is_what_is_read_when_asked(tmp_path) -> None:
    store = open_store(small_city(tmp_path))
    early = Known(store, default_as_of(store)).ahead()
    late = Known(store, early.as_of)
    for name in ("lights", "components", "repairs", "reports", "patrols", "weather"):
        pd.testing.assert_frame_equal(getattr(early, name), getattr(late, name))


def test_what_cannot_be_read_ahead_is_told_when_it_is_asked_for(tmp_path) -> None:
    address = small_city(tmp_path)
    store = open_store(address)
    known = Known(store, default_as_of(store))
    with store.engine.begin() as connection:
        connection.exec_driver_sql("DROP TABLE components")
    known.ahead()
    assert len(known.lights)
    with pytest.raises(Unavailable, match="the store cannot be read"):
        _ = known.components
