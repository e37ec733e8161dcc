"""A number as its source printed it: equal to whatever rounds to it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, eq=False)
class Printed:
    """A printed number and where it stands."""

    text: str
    source: str

    __array_ufunc__ = None

    @property
    def half_a_digit(self) -> float:
        """Half a unit of the last printed digit."""
        exponent = Decimal(self.text).as_tuple().exponent
        return 0.5 * 10.0 ** int(exponent)

    def __eq__(self, other: object) -> bool:
        far = abs(float(other) - float(self.text))  # type: ignore[arg-type]
        return far <= self.half_a_digit * (1 + 1e-9)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"{self.text} ({self.source})"


def printed(text: str, source: str) -> Printed:
    """Return a number as printed; it equals what lies within half its last digit."""
    return Printed(text, source)
