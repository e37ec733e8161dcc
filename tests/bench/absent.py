"""Every hole of the complete town, alone, in pairs of files and in covering sets.

    python -m tests.bench.absent [WORD ...]

With words: only sets with a hole whose name holds one of them. It takes about an hour
of one core; what breaks is printed as it is found.
"""

from __future__ import annotations

import shutil
import sys
import time
import warnings
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.absent import Hole, ask_everything, columns, covering, files

SCHEMAS = Path(__file__).parents[3] / "shared" / "contract"


def sets() -> Iterator[tuple[Hole, ...]]:
    """Yield what to leave out: all at once, alone, files in pairs, covering sets."""
    singles = files() + columns()
    yield from covering(singles, len(singles))
    yield from ((one,) for one in singles)
    yield from combinations(files(), 2)
    yield from covering(singles, 12)


def main() -> None:
    warnings.simplefilter("error")
    words = sys.argv[1:]
    begun, done, broken = time.process_time(), 0, 0
    schemas = SCHEMAS if SCHEMAS.is_dir() else None
    with TemporaryDirectory() as temporary:
        for holes in dict.fromkeys(sets()):
            if words and not any(word in str(one) for one in holes for word in words):
                continue
            folder = Path(temporary, "town")
            alone = len(holes) == 1
            for one in ask_everything(holes, folder, schemas, text=alone, slow=alone):
                broken += 1
                print(one, flush=True)
            shutil.rmtree(folder)
            done += 1
            print(f"{done}: {', '.join(map(str, holes))}"[:88], file=sys.stderr)
    spent = time.process_time() - begun
    print(f"{done} sets of holes, {broken} commands broken, {spent:.0f} s of CPU")


if __name__ == "__main__":
    main()
