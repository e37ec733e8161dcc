"""Tonight's patrol: the streets most worth driving, in order, with times."""

from lightwatch.decisions.patrol.order import Order
from lightwatch.decisions.patrol.patrol import plan_patrol
from lightwatch.decisions.patrol.plan import CrewPlan, Leg, PatrolPlan

__all__ = ["CrewPlan", "Leg", "Order", "PatrolPlan", "plan_patrol"]
