"""The command line: thin verbs, each one question or one record.

Heavy libraries are imported inside the verbs, so that ``--help`` answers at once.
"""

from lightwatch.cli import answers, records, serving
from lightwatch.cli.common import app
from lightwatch.cli.run import main

__all__ = ["answers", "app", "main", "records", "serving"]
