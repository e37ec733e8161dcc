"""Nights: the clock on the wall of the place, the sun, and when it is dark."""

from lightwatch.nights.clock import (
    DAY,
    EARLIEST,
    SECOND,
    YEAR,
    LocalTime,
    latest_plausible,
    read_date,
    read_partial_date,
)

__all__ = [
    "DAY",
    "EARLIEST",
    "SECOND",
    "YEAR",
    "LocalTime",
    "latest_plausible",
    "read_date",
    "read_partial_date",
]
