"""How soon trouble is noticed: reporting rates, patrol hit rates, delays."""

from lightwatch.detection.detection import SURE, Detection, detection
from lightwatch.detection.episodes import episodes
from lightwatch.detection.held import PROVEN, unheld

__all__ = ["PROVEN", "SURE", "Detection", "detection", "episodes", "unheld"]
