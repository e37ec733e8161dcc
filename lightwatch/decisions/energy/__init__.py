"""Unmetered energy: dated watts times burn hours."""

from lightwatch.decisions.energy.statement import (
    BURN_DEG,
    Change,
    Line,
    Statement,
    statement,
)

__all__ = ["BURN_DEG", "Change", "Line", "Statement", "statement"]
