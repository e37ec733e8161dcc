"""Words looked up, on pandas 2 and 3 alike."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.store.frames import filled


def test_words_found_stay_and_gaps_take_the_row_s_own():
    found = pd.Series(["a", np.nan, "c", None], index=[7, 3, 5, 1], name="road")
    own = pd.Series(["w", "x", "y", "z"], index=found.index)
    assert filled(found, own).to_dict() == {7: "a", 3: "x", 5: "c", 1: "z"}
    assert filled(found, "-").to_list() == ["a", "-", "c", "-"]
    assert found.isna().sum() == 2  # the series given is left as it was


def test_where_nothing_at_all_was_found_the_answer_is_words_no_numbers():
    nothing = pd.Series(["a", "b"]).map({})
    assert filled(nothing, "").dtype == object
    assert filled(nothing, "").to_list() == ["", ""]
    assert filled(nothing[:0], "").dtype == object
    assert filled(nothing, pd.Series([np.nan, "b"])).isna().to_list() == [True, False]


def test_words_of_a_frame_are_python_s_own_and_equal_ones_one_object():
    """On pandas 3 it fails without the option that the room sets."""
    word = "".join(["lamp", "s"])
    frame = pd.DataFrame({"kind": [word, word]})
    assert frame["kind"].dtype == object
    assert frame["kind"][0] is frame["kind"][1] is word
