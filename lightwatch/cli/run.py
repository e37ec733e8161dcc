"""Run the command line."""

from __future__ import annotations

import sys

from lightwatch.cli.common import app
from lightwatch.errors import LightwatchError


def main() -> None:
    """Run the command line; a person's mistake is one line, not a traceback."""
    try:
        app(standalone_mode=True)
    except LightwatchError as error:
        print(f"lightwatch: {error}", file=sys.stderr)
        sys.exit(1)
