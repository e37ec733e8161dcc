"""The stock room: how many parts will be needed, and what to order when."""

from lightwatch.decisions.stock.orders import Order, Terms
from lightwatch.decisions.stock.plan import read_plan
from lightwatch.decisions.stock.rules import read_rules
from lightwatch.decisions.stock.scenario import read_scenario
from lightwatch.decisions.stock.stocking import (
    Advice,
    StockPlan,
    advice,
    by_kind,
    stock,
)

__all__ = [
    "Advice",
    "Order",
    "StockPlan",
    "Terms",
    "advice",
    "by_kind",
    "read_plan",
    "read_rules",
    "read_scenario",
    "stock",
]
