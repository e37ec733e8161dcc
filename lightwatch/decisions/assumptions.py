"""What reports assume where the records say nothing: a planner's own go before ours.

::

    [windows]             # days within which a job is to be done
    one_light = 5

    [campaign]            # replacing a batch, local currency
    failure_visit = 240

    [rebuild]             # of a circuit, local currency
    fault = 4000
    per_metre = 95

    [visits]              # changing parts before they fail, local currency
    failure = 210

    [energy]              # elevation of the sun at which lights switch
    switching_deg = -2.5

TOML or JSON; what is not named stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isfinite
from pathlib import Path

from lightwatch.decisions.files import check_keys, read_file
from lightwatch.errors import NotUnderstood
from lightwatch.nights.darkness import BURN_DEG


@dataclass(frozen=True)
class Windows:
    """Days within which each kind of job is to be done.

    Published windows run from 3 working days to 30 days for a light and to 30 days for
    a cable; these are assumptions, to be set by your contract.
    """

    one_light: float = 10.0
    burning_by_day: float = 30.0
    knocked_down: float = 30.0
    feed: float = 30.0

    def __post_init__(self) -> None:
        if not all(value > 0 for value in vars(self).values()):
            raise NotUnderstood("a repair window is a number of days above 0")

    def of(self, kind: str) -> float:
        """Return the window of a kind of job [days]."""
        return float(getattr(self, kind.replace(" ", "_")))


def _refuse_negative(costs: object, of: str) -> None:
    for name, value in vars(costs).items():
        if value is not None and not value >= 0:
            raise NotUnderstood(f"cost of {of}: {name} must not be negative")


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
        _refuse_negative(self, "a visit")


@dataclass(frozen=True)
class CampaignCosts:
    """What a campaign is reckoned with [local currency]. Assumptions.

    Parameters
    ----------
    failure_visit
        A visit to one light that has failed: report, truck, crew, traffic, paperwork.
    planned_visit
        A visit planned for one light that still works; dearer than where a street is
        done in a row, as the units of a batch hang here and there.
    part
        The new part; None: what the catalogue says the old one costs.
    """

    failure_visit: float = VisitCosts().failure
    planned_visit: float = VisitCosts().dedicated
    part: float | None = None

    def __post_init__(self) -> None:
        _refuse_negative(self, "a campaign")


@dataclass(frozen=True)
class RebuildCosts:
    """What a rebuild is reckoned with [local currency]. Assumptions, no source.

    Parameters
    ----------
    fault
        Locating, digging, mending and making good one fault.
    per_metre
        Of new cable or line, laid [1/m].
    """

    fault: float = 2_500.0
    per_metre: float = 120.0

    def __post_init__(self) -> None:
        _refuse_negative(self, "a rebuild")


@dataclass(frozen=True)
class Switching:
    """Elevation of the sun at which photocontrols switch [deg]."""

    switching_deg: float = BURN_DEG

    def __post_init__(self) -> None:
        if not -18 <= self.switching_deg <= 5:
            raise NotUnderstood("lights switch with the sun between -18 and 5 degrees")


@dataclass(frozen=True)
class Assumptions:
    """What reports assume; ``given`` names the tables that somebody gave."""

    windows: Windows = field(default_factory=Windows)
    campaign: CampaignCosts = field(default_factory=CampaignCosts)
    rebuild: RebuildCosts = field(default_factory=RebuildCosts)
    visits: VisitCosts = field(default_factory=VisitCosts)
    energy: Switching = field(default_factory=Switching)
    given: frozenset[str] = frozenset()

    def said(self, table: str) -> str:
        """Return whence what a table holds is known: somebody gave it, or nobody."""
        return "as given" if table in self.given else "assumed, no source"


def read_assumptions(path: Path) -> Assumptions:
    """Return what a file assumes.

    Raises
    ------
    NotUnderstood
        It cannot be read, names what is not assumed, or a value is no such number.
    """
    loaded, usual = read_file(path), vars(Assumptions())
    tables = [name for name in usual if name != "given"]
    check_keys(loaded, tables, str(path))
    made = {}
    for name, table in loaded.items():
        where = f"{path}: {name}"
        if not isinstance(table, dict):
            raise NotUnderstood(f"{where} must be a table")
        check_keys(table, vars(usual[name]), where)
        for key, value in table.items():
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not isfinite(value):
                raise NotUnderstood(f"{where}.{key} = {value!r} is no number")
        try:
            made[name] = replace(usual[name], **table)
        except NotUnderstood as error:
            raise NotUnderstood(f"{where}: {error}") from None
    return replace(Assumptions(**made), given=frozenset(made))
