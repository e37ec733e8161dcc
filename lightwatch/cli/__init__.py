"""The command line: thin verbs, each one question or one record.

Heavy libraries are imported inside the verbs, so that ``--help`` answers at once.
"""

from lightwatch.cli import answerable, answers, patrols, records, serving, stocking
from lightwatch.cli.asking import app
from lightwatch.cli.run import main

__all__ = [
    "answerable",
    "answers",
    "app",
    "main",
    "patrols",
    "records",
    "serving",
    "stocking",
]
