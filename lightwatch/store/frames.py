"""pandas as this house uses it; loaded when the first frame is made."""

import warnings

import pandas as pd

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # pandas 4 will have neither option
    pd.options.mode.copy_on_write = True
    pd.options.future.infer_string = False

# Frames share what neither of them changed, as pandas 3 always has it; and words stay
# Python's own, as pandas 2 has it: equal ones are one object, compared by its place,
# which made a report on 100,000 lights twice as quick as pandas 3's own words.

__all__ = ["pd"]
