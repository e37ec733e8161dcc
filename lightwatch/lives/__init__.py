"""Lives: how long each component was watched, and how its life ended."""

from lightwatch.lives.lives import Lives, all_lives, lives

__all__ = ["Lives", "all_lives", "lives"]
