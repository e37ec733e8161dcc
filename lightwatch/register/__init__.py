"""What hung where on which day, who owns it, what feeds it."""

from lightwatch.register.register import Register

__all__ = ["Register"]
