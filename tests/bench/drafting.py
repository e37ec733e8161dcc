"""Seconds to draft a mapping: ``python -m tests.bench.drafting``.

A register of 65 columns of varied text and 4,000 rows.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from lightwatch.observations.drafting import draft
from tests.portals import write_wide


def main() -> None:
    """Print the processor's seconds."""
    with tempfile.TemporaryDirectory() as folder:
        write_wide(Path(folder))
        begun = time.process_time()
        drafted = draft(Path(folder))
        seconds = time.process_time() - begun
    print(f"65 columns x 4,000 rows: {seconds:.1f} CPU s")
    print(f"kinds of records found: {', '.join(drafted.matched)}")


if __name__ == "__main__":
    main()
