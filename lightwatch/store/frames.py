"""pandas as this house uses it, 2 and 3 alike; loaded when the first frame is made."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # pandas 4 will have neither option
    pd.options.mode.copy_on_write = True
    pd.options.future.infer_string = False

# Frames share what neither of them changed, as pandas 3 always has it; and words stay
# Python's own, as pandas 2 has it: equal ones are one object, compared by its place,
# which made a report on 100,000 lights twice as quick as pandas 3's own words.


def filled(found: pd.Series[Any], otherwise: pd.Series[Any] | str) -> pd.Series[Any]:
    """Return words that were looked up, and others where none was found.

    Where none at all was found pandas takes the column for numbers.

    Parameters
    ----------
    found
        Words or NaN.
    otherwise
        One for all, or one a row, in the order of the rows.
    """
    words = found.to_numpy(object, copy=True)
    none = found.isna().to_numpy()
    words[none] = (
        otherwise if isinstance(otherwise, str) else np.asarray(otherwise)[none]
    )
    return pd.Series(words, found.index, dtype=object, name=found.name)


__all__ = ["filled", "pd"]
