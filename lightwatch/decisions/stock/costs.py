"""What a visit costs: assumptions, to be put right by the one who knows."""

from __future__ import annotations

from dataclasses import dataclass

from lightwatch.errors import NotUnderstood


@dataclass(frozen=True)
class VisitCosts:
    """Costs of visits [local currency], the part apart. Assumptions.

    Parameters
    ----------
    failure
        A visit to one light that has failed: report, truck, crew, traffic, paperwork.
    dedicated
        A visit planned for one light that still works.
    while_there
        A few minutes more while the truck is up for another reason.
    in_a_row
        Of one light, where a street is done in a row.
    """

    failure: float = 180.0
    dedicated: float = 120.0
    while_there: float = 10.0
    in_a_row: float = 30.0

    def __post_init__(self) -> None:
        for name in ("failure", "dedicated", "while_there", "in_a_row"):
            if not getattr(self, name) >= 0:
                raise NotUnderstood(f"cost of a visit: {name} must not be negative")
