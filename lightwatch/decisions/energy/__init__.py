"""Unmetered energy: dated watts times burn hours."""

from lightwatch.decisions.energy.statement import (
    Change,
    Line,
    Statement,
    statement,
)

__all__ = ["Change", "Line", "Statement", "statement"]
