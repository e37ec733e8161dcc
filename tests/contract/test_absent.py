"""Whatever an export leaves out, every command answers or says one line why not.

Each two of what need not be there are missing together in one of these sets; each file
is missing alone, too. Tried here are nothing missing, every fourth file alone, and as
many sets as it takes to miss everything once; ``python -m tests.bench.absent`` tries
them all, and every column alone.
"""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from tests.absent import Hole, ask_everything, columns, covering, files

HOLES = files() + columns()
TOGETHER = covering(HOLES, len(HOLES))
ALONE = [(one,) for one in files()]
SOME = [(), *ALONE[1::4], *TOGETHER[:3]]


def test_each_two_are_missing_together_somewhere() -> None:
    assert len(HOLES) > 70
    for pair in combinations(HOLES, 2):
        first, second = pair
        nested = first.file == second.file and not (first.column and second.column)
        assert nested or any(set(pair) <= set(some) for some in TOGETHER), pair


def test_each_is_missing_from_a_set_that_is_tried_here() -> None:
    assert set(HOLES) == {one for some in SOME for one in some}


@pytest.mark.slow
@pytest.mark.parametrize("holes", SOME, ids=lambda some: (
    f"{len(some)}:{','.join(map(str, some))}"[:40]))  # fmt: skip
def test_every_command_answers_or_says_one_line(
    holes: tuple[Hole, ...], shared: Path, tmp_path: Path
) -> None:
    broken = ask_everything(
        holes, tmp_path / "a", shared / "contract", text=len(holes) > 1
    )
    assert not broken, "\n\n".join(map(str, broken))
