"""Run the command line."""

from __future__ import annotations

import os
import sys
from contextlib import suppress

from lightwatch.cli.asking import app, close_stores, keep_answers
from lightwatch.errors import LightwatchError


def main() -> None:
    """Run the command line; a person's mistake is one line, not a traceback.

    Matrices here are small: on a busy machine more threads of linear algebra only wait
    for each other (a fit of the stock room took 147 s instead of 5).
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        app()
    except SystemExit as done:
        if not done.code:
            with suppress(BrokenPipeError):
                sys.stdout.flush()
            keep_answers()
        raise
    except LightwatchError as error:
        said = f" ({error.driver})" if error.driver else ""
        print(f"lightwatch: {error}{said}", file=sys.stderr)
        sys.exit(1)
    except OSError as error:
        where = f"{error.filename}: "[:300] if error.filename else ""
        print(f"lightwatch: {where}{error.strerror or error}", file=sys.stderr)
        sys.exit(1)
    finally:
        close_stores()
