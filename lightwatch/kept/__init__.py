"""What follows from the records is worked out once, and kept for the next who asks."""

from lightwatch.kept.derive import derived, given, keeping, once
from lightwatch.kept.folder import Folder

__all__ = ["Folder", "derived", "given", "keeping", "once"]
