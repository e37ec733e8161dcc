"""Lives: how long each component was watched, and how its life ended."""

from lightwatch.lives.lives import Lives, lives

__all__ = ["Lives", "lives"]
