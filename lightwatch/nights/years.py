"""Calendar years of many instants, by the clock on the wall."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.nights.clock import LocalTime


def local_years(instants: pd.Series[float], clock: LocalTime) -> pd.Series[float]:
    """Return the calendar year in local time; NaN where there is no instant.

    Examples
    --------
    >>> clock = LocalTime("Europe/Vienna")
    >>> at = pd.Series([float(clock.instant("2019-01-01"))])
    >>> int(local_years(at, clock).iloc[0])
    2019
    """
    known = instants[instants.notna()]
    if known.empty:
        return instants
    years = np.arange(
        clock.at(int(known.min())).year, clock.at(int(known.max())).year + 2
    )
    begins = [float(clock.instant(f"{year:04}-01-01")) for year in years]
    place = np.searchsorted(begins, instants.to_numpy(float), side="right") - 1
    return pd.Series(years[place], instants.index).where(instants.notna())
