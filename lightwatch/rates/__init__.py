"""Rates: failures per unit-year, always with limits."""

from lightwatch.rates.poisson import Rate, exact_rate
from lightwatch.rates.rates import BY, RateRow, rates

__all__ = ["BY", "Rate", "RateRow", "exact_rate", "rates"]
