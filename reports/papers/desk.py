"""What every paper is written from: the register of a day, and which months."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from lightwatch.decisions.assumptions import Assumptions
from lightwatch.errors import NotUnderstood
from lightwatch.lives import Lives, lives
from lightwatch.observations.known import Known
from lightwatch.register import Register

if TYPE_CHECKING:
    from lightwatch.decisions.repeats import Repeats

MonthOf = tuple[str, int, int]
"""Name (YYYY-MM), first instant, first instant after."""


def _after(month: date, count: int) -> date:
    number = month.year * 12 + month.month - 1 + count
    return date(number // 12, number % 12 + 1, 1)


@dataclass(frozen=True)
class Desk:
    """What stood, as known on a day; ``month`` is the one asked for, by its first day.

    Without one it is the last whole month before that day, or the first on record.
    """

    register: Register
    asked: str = ""
    assumptions: Assumptions = field(default_factory=Assumptions)

    @cached_property
    def lives(self) -> Lives:
        """The life of everything; not every paper asks."""
        return lives(self.register)

    @property
    def known(self) -> Known:
        """What was known."""
        return self.register.known

    @property
    def place(self) -> str:
        """Name of the place."""
        return str(self.known.place["name"])

    @property
    def as_of(self) -> str:
        """The day, written."""
        return self.known.clock.written(self.known.as_of)

    @cached_property
    def repeats(self) -> Repeats:
        """What fails again."""
        from lightwatch.decisions.repeats import Repeats

        return Repeats(self.lives)

    @cached_property
    def month(self) -> date:
        """First day of the month reported.

        Raises
        ------
        NotUnderstood
            The month asked for is none, or lies outside the record.
        """
        today = self.known.clock.at(self.known.as_of).date()
        opened = self.known.clock.at(self.known.opened).date().replace(day=1)
        if not self.asked:
            if self.known.as_of <= self.known.opened:
                raise NotUnderstood(
                    f"no month is on record by {today} (the register was opened in "
                    f"{opened:%Y-%m})"
                )
            return max(_after(today.replace(day=1), -1), opened)
        try:
            found = datetime.strptime(self.asked, "%Y-%m").date()  # noqa: DTZ007
        except ValueError:
            raise NotUnderstood(
                f"{self.asked!r} is no month (expected YYYY-MM)"
            ) from None
        if not opened <= found <= today:
            raise NotUnderstood(
                f"month {self.asked} lies outside the record "
                f"({opened:%Y-%m} to {today:%Y-%m})"
            )
        return found

    def months(self, back: int = 0, count: int = 1) -> list[MonthOf]:
        """Return so many months in a row, the last so many before the one reported."""
        clock = self.known.clock
        first = _after(self.month, -back - count + 1)
        found = []
        for i in range(count):
            one, after = _after(first, i), _after(first, i + 1)
            found.append((f"{one:%Y-%m}", clock.midnight(one), clock.midnight(after)))
        return found

    @property
    def tonight(self) -> date:
        """Date of the evening that comes next."""
        at = self.known.clock.at(self.known.as_of)
        return (at - timedelta(hours=12)).date() + timedelta(days=1)
