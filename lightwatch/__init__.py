"""Street-light records in; lives, rates and feed faults out."""

__version__ = "0.1.0"
