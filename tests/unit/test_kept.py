"""What is kept beside the store equals what is worked out, or is not believed."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightwatch.cli import main
from lightwatch.cli.asking import at_the_end
from lightwatch.decisions.triage.outage import NextTest
from lightwatch.errors import Unavailable
from lightwatch.kept import Folder, derived, keeping
from lightwatch.kept.codec import Unkeepable, decode, encode
from lightwatch.observations.entry import log_repair
from lightwatch.observations.known import known_now
from lightwatch.picture import Picture
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from tests.packages import take_in
from tests.rough_town import rough_town


def through(value: Any, tmp_path: Path) -> Any:
    path = tmp_path / "value.arrow"
    encode(value, {}, str(path))
    return decode(str(path), {})


def same(one: Any, other: Any) -> bool:
    """Tell whether two values are equal to the bit, types and order included."""
    if type(one) is not type(other):
        return False
    if isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other, check_exact=True)
        return True
    if isinstance(one, pd.Series):
        pd.testing.assert_series_equal(one, other, check_exact=True)
        return True
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(
            one, other, equal_nan=one.dtype.kind == "f"
        )
    if dataclasses.is_dataclass(one):
        parts = [field.name for field in dataclasses.fields(one)]
        return all(same(getattr(one, n), getattr(other, n)) for n in parts)
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[k], other[k]) for k in one)
    if isinstance(one, list | tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other or (one != one and other != other))


leaves = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.datetimes(timezones=st.just(UTC))
)


@given(
    st.recursive(
        leaves,
        lambda inner: (
            st.lists(inner)
            | st.lists(inner).map(tuple)
            | st.dictionaries(st.text() | st.tuples(st.text(), st.integers()), inner)
        ),
        max_leaves=12,
    )
)
def test_plain_values_come_back_as_they_were(value: Any) -> None:
    from io import BytesIO

    file = BytesIO()
    try:
        encode(value, {}, file)
    except UnicodeEncodeError:  # lone surrogates are no text
        return
    assert same(value, decode(file.getvalue(), {}))


@pytest.mark.parametrize(
    "value",
    [
        np.array([1.5, np.nan, -np.inf]),
        np.array([[True, False], [False, True]]),
        np.arange(6, dtype=np.int32).reshape(2, 3),
        np.array([], dtype=object),
        np.array(["a", "", "ü"], dtype=object),
        np.array([1, "a", None], dtype=object),
        np.array(["2024-01-01"], dtype="M8[us]"),
        np.float64(2.5),
        {("C1", "led"): frozenset({"a", "b"}), "x": {1, 2}},
        pd.DataFrame({"a": [1.0, 2.0], "b": ["x", ""], "c": [True, False]}),
        pd.DataFrame({"a": [1, 2]}, index=pd.Index(["x", "y"], name="light_id")),
        pd.DataFrame({("k", 1): [1]}, index=pd.MultiIndex.from_tuples([("a", 1)])),
        pd.DataFrame({"a": pd.Categorical(["x", "y"], ["y", "x"], ordered=True)}),
        pd.DataFrame(columns=["a", "b"]),
        pd.Series([1, 2], name="n"),
        NextTest(where="pole 7", why="first", section_id=None, light_id="L1"),
    ],
)
def test_values_of_every_kind_come_back_as_they_were(
    value: Any, tmp_path: Path
) -> None:
    assert same(value, through(value, tmp_path))


@pytest.mark.parametrize("value", [lambda: 0, object(), Path("x"), {"a": [print]}])
def test_what_is_no_data_is_not_kept(value: Any, tmp_path: Path) -> None:
    with pytest.raises(Unkeepable):
        through(value, tmp_path)


def test_a_file_makes_nothing_but_our_own_dataclasses(tmp_path: Path) -> None:
    import pyarrow as pa

    for module, name in (("subprocess", "Popen"), ("lightwatch.store", "open_store")):
        tree = json.dumps({"object": [module, name, {"args": "true"}]})
        schema = pa.schema({"0": pa.large_list(pa.int64())}, {"lightwatch.value": tree})
        path = tmp_path / "foreign.arrow"
        with pa.ipc.new_file(str(path), schema) as file:
            file.write_batch(pa.RecordBatch.from_pylist([{"0": [0]}], schema))
        with pytest.raises(Unkeepable):
            decode(str(path), {})


@dataclasses.dataclass(frozen=True)
class Noun:
    kept: Folder | None = None
    asked: list[str] = dataclasses.field(default_factory=list, compare=False)

    @derived
    def slow(self) -> list[int]:
        """Return numbers."""
        self.asked.append("slow")
        return [1, 2]


@keeping
def power(noun: Noun, to: int) -> int:
    noun.asked.append(f"power {to}")
    return 2**to


def folder(tmp_path: Path, state: str = "a", *, holds: bool = True) -> Folder:
    return Folder(tmp_path / "kept", state, lambda: holds)


def test_what_was_derived_is_found_by_the_next(tmp_path: Path) -> None:
    first = Noun(folder(tmp_path))
    assert (first.slow, power(first, 3), power(first, 4)) == ([1, 2], 8, 16)
    assert first.kept is not None
    first.kept.write()
    next_ = Noun(folder(tmp_path))
    assert (next_.slow, power(next_, 3), power(next_, 4)) == ([1, 2], 8, 16)
    assert next_.asked == []
    assert power(next_, 5) == 32
    assert next_.asked == ["power 5"]


def test_another_state_of_the_records_finds_nothing_and_clears(tmp_path: Path) -> None:
    first = Noun(folder(tmp_path))
    _ = first.slow
    assert first.kept is not None
    first.kept.write()
    other = Noun(folder(tmp_path, "b"))
    _ = other.slow
    assert other.asked == ["slow"]
    assert other.kept is not None
    other.kept.write()
    assert [one.name for one in (tmp_path / "kept").iterdir()] == [other.kept.path.name]


def test_nothing_is_kept_of_records_that_changed_meanwhile(tmp_path: Path) -> None:
    noun = Noun(folder(tmp_path, holds=False))
    _ = noun.slow
    assert noun.kept is not None
    noun.kept.write()
    assert not (tmp_path / "kept").exists()


@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "other"])
def test_a_damaged_file_is_not_believed(tmp_path: Path, damage: str) -> None:
    first = Noun(folder(tmp_path))
    _ = first.slow
    assert first.kept is not None
    first.kept.write()
    [path] = first.kept.path.glob("*.arrow")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(
        {"flip": bytes(content), "cut": path.read_bytes()[:40], "empty": b"",
         "other": b"PK\x03\x04"}[damage]
    )  # fmt: skip
    next_ = Noun(folder(tmp_path))
    assert next_.slow == [1, 2]
    assert next_.asked == ["slow"]


def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("a file")
    noun = Noun(folder(tmp_path))
    assert noun.slow == [1, 2]
    assert noun.kept is not None
    noun.kept.write()
    assert (tmp_path / "kept").read_text() == "a file"


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A town with storms, lost papers and wrong drawings; its own folder of files."""
    path = tmp_path_factory.mktemp("kept") / "town"
    take_in(rough_town(3, "medium", lights=400).write(path))
    return open_store(f"sqlite:///{path}.db")


def asked(store: Store) -> Picture:
    """Return a picture of which everything that is kept was asked for."""
    picture = Picture(Register(known_now(store)))
    _ = picture.outages, picture.misdrawn, picture.beside, picture.rates
    again = picture.repeats
    _ = again.lights, again.poles, again.circuits, again.batches, again.unheld
    _ = again.grows("light"), picture.on("repeats"), picture.on("outages")
    return picture


def test_all_that_is_kept_of_a_town_comes_back_as_it_was(town: Store) -> None:
    first = asked(town).kept
    assert first is not None
    noted = dict(first._noted)
    first.write()
    names = {path.name.rsplit(".", 2)[0] for path in first.path.iterdir()}
    assert names == set(noted), "something cannot be kept"
    again = known_now(town).kept
    assert again is not None
    for name, (value, noun) in noted.items():
        assert same(value, again.find(name, noun)), name
    picture = asked(town)
    assert picture.kept is not None
    assert picture.kept._noted == {}, "worked out though it was there"


def test_any_record_makes_the_picture_a_new_one(town: Store) -> None:
    before = town.stamp()
    kept = known_now(town).kept
    light = Picture(Register(known_now(town))).register.standing["light_id"].iloc[0]
    log_repair(
        town,
        {
            "repair_id": "K1",
            "light_id": light,
            "component": "lamp",
            "action": "replaced",
        },
        now=int(datetime.now(tz=UTC).timestamp() * 1e6),
        said_by="crew",
    )
    after = known_now(town).kept
    assert town.stamp() != before
    assert kept is not None
    assert after is not None
    assert not kept.holds()
    assert after.path != kept.path


def test_a_command_answers_again_without_reading_the_records(
    tmp_path: Path,
) -> None:
    path = tmp_path / "town"
    take_in(rough_town(4, "clean", lights=300).write(path))
    said = [
        subprocess.run(
            [sys.executable, "-c", _RUN, "outages", "--json", "--db",
             f"sqlite:///{path}.db"],
            capture_output=True, text=True, check=True,
        )
        for _ in range(2)
    ]  # fmt: skip
    assert said[0].stdout == said[1].stdout
    assert [one.stderr.split()[-1] for one in said] == ["12", "0"]


@pytest.mark.parametrize("ends", [0, 1])
def test_what_a_command_keeps_is_asked_once_and_its_trouble_is_silent(
    ends: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def trouble() -> None:
        asked.append("trouble")
        raise Unavailable("the store is gone")

    def command() -> None:
        raise SystemExit(ends)

    asked: list[str] = []
    at_the_end.extend([lambda: asked.append("kept"), trouble])
    monkeypatch.setattr("lightwatch.cli.run.app", command)
    for _ in range(2):
        with pytest.raises(SystemExit):
            main()
    assert sorted(asked) == ([] if ends else ["kept", "trouble"])


_RUN = """
import sys
from lightwatch.store import Store
read, frame = [], Store.frame
Store.frame = lambda *args: read.append(args[1]) or frame(*args)
from lightwatch.cli import main
try:
    main()
finally:
    print(len(read), file=sys.stderr)
"""
