"""Rates: failures per unit-year, always with limits."""

from lightwatch.rates.poisson import Rate, exact_rate
from lightwatch.rates.rates import BY, RateRow, check_by, rates

__all__ = ["BY", "Rate", "RateRow", "check_by", "exact_rate", "rates"]
