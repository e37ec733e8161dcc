"""Kill the writer 200 times a store and face: ``python -m tests.bench.kill_study``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from lightwatch.store import open_store
from tests import databases
from tests.killing import by_command, by_service
from tests.towns import little_town, take_in


def study(rounds: int, folder: Path, kind: str) -> None:
    """Print what each face of one kind of store lost and doubled."""
    for face in (by_command, by_service):
        place = folder / f"{kind}-{face.__name__}"
        place.mkdir()
        address = databases.address(place)
        store = open_store(address, create=True)
        take_in(store, little_town(place / "town"))
        store.engine.dispose()
        tally = face(address, "L01", rounds, seed=9)
        lost, doubled = tally.judge(address)
        print(
            f"{kind:9}{face.__name__:11}{tally.rounds:4} rounds "
            f"{len(tally.acknowledged):6} acknowledged {lost} lost {doubled} doubled"
        )


def main(rounds: int) -> None:
    """Run the study on both stores."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        folder.chmod(0o755)
        databases.use(None)
        study(rounds, folder, "sqlite")
        with databases.server(folder) as url:
            databases.use(url)
            study(rounds, folder, "postgres")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
