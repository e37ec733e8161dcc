"""Reports that were closed: somebody says that the trouble is over, or never was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from lightwatch.kept import once
from lightwatch.register.placed import placed

if TYPE_CHECKING:
    from lightwatch.register.register import Register

MENDED = ("", "repaired")
"""Ways of closing that say, or let one think, that it was mended."""

ANSWERED = (*MENDED, "nothing_found")
"""Ways of closing after which the light was seen to."""

ELSEWHERE = ("not_ours", "withdrawn", "other")
"""Ways of closing that say nothing of our light."""


@once
def closings(register: Register) -> pd.DataFrame:
    """Return how reports were closed, by the index of ``known.reports``.

    Returns
    -------
    pandas.DataFrame
        ``closed`` [instant], not a number while open, and ``closed_as``, '' where open
        or not said. What was closed after the register's day is open.
    """
    reports = register.known.reports
    closed = reports["closed"].astype(float)
    told_before = reports["duplicate_of"] != ""
    how = reports["closed_as"].where(~told_before, "duplicate")
    return pd.DataFrame({"closed": closed, "closed_as": how.where(closed.notna(), "")})


@once
def reported_work(register: Register) -> pd.Series[str]:
    """Return for each repair its light, or that of the only thing it names: a report.

    By the index of ``known.repairs``; '' for one at a section, a circuit or nowhere.
    """
    repairs, reports = register.known.repairs, register.known.reports
    light = repairs["light_id"].copy()
    nowhere = (light == "") & (repairs["report_id"] != "")
    nowhere &= (repairs["circuit_id"] == "") & (repairs["section_id"] == "")
    if nowhere.any():
        at = pd.Series(
            placed(register)["light_id"].to_numpy(object), reports["report_id"]
        )
        light[nowhere] = repairs.loc[nowhere, "report_id"].map(at).fillna("")
    return light
