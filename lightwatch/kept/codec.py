"""Values as Arrow files: arrays as columns, and how they hang together as JSON.

A file holds one row. Each array of the value is a list in a column of its own, strings
by a dictionary, so that reading maps the file and copies no number. The schema's
metadata say how arrays, frames and frozen dataclasses make up the value. Nothing in a
file is ever run: only dataclasses of this package are made, from their fields.
"""

from __future__ import annotations

import importlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any

import numpy as np
import pyarrow as pa

_OURS = "lightwatch."
_VALUE = b"lightwatch.value"
_PLAIN = (bool, int, str, type(None))
_SEVERAL = {"list": list, "tuple": tuple, "set": set, "frozenset": frozenset}


class Unkeepable(TypeError):
    """A value that cannot be kept: it holds something that is no data."""


def nouns_of(noun: Any) -> dict[str, Any]:
    """Return a noun and those that it stands on, by the names of their types."""
    found = {type(noun).__qualname__: noun}
    for one in fields(noun):
        below = getattr(noun, one.name)
        if is_dataclass(below) and hasattr(below, "kept"):
            found |= nouns_of(below)
    return found


@dataclass(frozen=True)
class _Encoding:
    """What was put into arrays so far."""

    nouns: Mapping[int, str]
    """By identity: a value that holds one says which."""
    arrays: list[pa.Array] = field(default_factory=list)

    def tree(self, value: Any) -> Any:
        """Return a value as JSON, its arrays by number."""
        if id(value) in self.nouns:
            return {"noun": self.nouns[id(value)]}
        if isinstance(value, Enum):
            return {"enum": [*_named(type(value)), value.name]}
        if type(value) in _PLAIN:
            return value
        if type(value) is float:
            return value if math.isfinite(value) else {"float": str(value)}
        if isinstance(value, np.generic):
            return {"scalar": [value.dtype.str, self.tree(value.item())]}
        if isinstance(value, datetime | date):
            return {type(value).__name__: value.isoformat()}
        if isinstance(value, np.ndarray):
            return {"array": self._array(value)}
        return self._several(value)

    def _several(self, value: Any) -> Any:
        import pandas as pd

        if isinstance(value, pd.DataFrame):
            return {"frame": self._frame(value)}
        if isinstance(value, pd.Series):
            told = [self._column(value), self._index(value.index)]
            return {"series": [*told, self.tree(value.name)]}
        if isinstance(value, pd.Index):
            return {"index": self._index(value)}
        if isinstance(value, Mapping):
            pairs = value.items()
            return {"dict": [[self.tree(k), self.tree(v)] for k, v in pairs]}
        name = type(value).__name__
        if type(value) is _SEVERAL.get(name):
            return {name: [self.tree(one) for one in value]}
        if is_dataclass(value) and type(value).__module__.startswith(_OURS):
            parts = {one.name: getattr(value, one.name) for one in fields(value)}
            trees = {name: self.tree(part) for name, part in parts.items()}
            return {"object": [*_named(type(value)), trees]}
        raise Unkeepable(f"{type(value)} is no data")

    def _add(self, array: pa.Array) -> int:
        self.arrays.append(array)
        return len(self.arrays) - 1

    def _array(self, value: np.ndarray[Any, Any]) -> Any:
        flat = np.ascontiguousarray(value).ravel()
        shape = list(value.shape)
        if value.dtype.kind in "iuf":
            return [value.dtype.str, shape, self._add(pa.array(flat))]
        if value.dtype.kind in "bMm":
            whole = flat.view("u1" if value.dtype.kind == "b" else "i8")
            return [value.dtype.str, shape, self._add(pa.array(whole))]
        strings = _strings(flat)
        if strings is not None:
            return [value.dtype.str, shape, self._add(strings)]
        return ["objects", shape, [self.tree(one) for one in flat]]

    def _column(self, column: Any) -> Any:
        import pandas as pd

        if isinstance(column.dtype, pd.CategoricalDtype):
            of = column.cat
            told = self._index(of.categories), bool(of.ordered)
            return ["categories", self._array(of.codes.to_numpy()), *told]
        if not isinstance(column.dtype, np.dtype):
            raise Unkeepable(f"a column of {column.dtype}")
        return self._array(column.to_numpy())

    def _index(self, index: Any) -> Any:
        import pandas as pd

        names = [self.tree(name) for name in index.names]
        if isinstance(index, pd.RangeIndex):
            return ["range", names, [index.start, index.stop, index.step]]
        if isinstance(index, pd.MultiIndex):
            levels = [index.get_level_values(i) for i in range(index.nlevels)]
            return ["levels", names, [self._index(one) for one in levels]]
        return ["plain", names, self._column(index.to_series())]

    def _frame(self, frame: Any) -> Any:
        columns = [frame.iloc[:, i] for i in range(frame.shape[1])]
        if type(frame).__module__.split(".")[0] != "pandas":
            raise Unkeepable(f"{type(frame)} is more than a frame")
        told = [self._column(one) for one in columns]
        return [self._index(frame.columns), self._index(frame.index), told]


def _strings(flat: np.ndarray[Any, Any]) -> pa.Array | None:
    """Return strings as a dictionary of them; None where something else is there."""
    try:
        found = pa.array(flat.tolist(), pa.string())
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        return None
    return None if found.null_count else found.dictionary_encode()


def _named(kind: type[Any]) -> list[str]:
    return [kind.__module__, kind.__qualname__]


@dataclass(frozen=True)
class _Decoding:
    """The arrays of a file, and the nouns that its value stands on."""

    arrays: list[pa.Array]
    nouns: Mapping[str, Any]

    def value(self, tree: Any) -> Any:
        """Return the value that a tree stands for."""
        if not isinstance(tree, dict):
            return tree
        ((kind, told),) = tree.items()
        if kind in _SEVERAL:
            return _SEVERAL[kind](self.value(one) for one in told)
        make = getattr(self, f"_{kind}")
        return make(told)

    def _noun(self, told: str) -> Any:
        return self.nouns[told]

    def _enum(self, told: list[str]) -> Any:
        return _ours(*told[:2])[told[2]]

    def _float(self, told: str) -> float:
        return float(told)

    def _scalar(self, told: list[Any]) -> Any:
        return np.array(self.value(told[1]), np.dtype(told[0]))[()]

    def _datetime(self, told: str) -> datetime:
        return datetime.fromisoformat(told)

    def _date(self, told: str) -> date:
        return date.fromisoformat(told)

    def _dict(self, told: list[Any]) -> dict[Any, Any]:
        return {self.value(key): self.value(one) for key, one in told}

    def _object(self, told: list[Any]) -> Any:
        kind = _ours(*told[:2])
        if not (isinstance(kind, type) and is_dataclass(kind)):
            raise Unkeepable(f"{kind} is no dataclass")
        made: Any = object.__new__(kind)
        for name, part in told[2].items():
            object.__setattr__(made, name, self.value(part))
        return made

    def _array(self, told: Any) -> np.ndarray[Any, Any]:
        dtype, shape, at = told
        if dtype == "objects":
            some = np.empty(len(at), object)
            some[:] = [self.value(one) for one in at]
            return some.reshape(shape)
        array = self.arrays[at]
        if isinstance(array.type, pa.DictionaryType):
            words = array.dictionary.to_numpy(zero_copy_only=False)
            flat = words[array.indices.to_numpy()] if len(words) else words
            flat = flat if dtype == "|O" else flat.astype(dtype)
        else:
            flat = array.to_numpy().view(dtype)
        found: np.ndarray[Any, Any] = flat.reshape(shape)
        return found

    def _column(self, told: Any) -> Any:
        import pandas as pd

        if told[0] != "categories":
            return self._array(told)
        categories, codes = self._index(told[2]), self._array(told[1])
        return pd.Categorical.from_codes(codes, categories, ordered=told[3])

    def _index(self, told: Any) -> Any:
        import pandas as pd

        kind, names, parts = told
        names = [self.value(name) for name in names]
        if kind == "range":
            return pd.RangeIndex(*parts, name=names[0])
        if kind == "levels":
            levels = [self._index(one) for one in parts]
            return pd.MultiIndex.from_arrays(levels, names=names)
        return pd.Index(self._column(parts), name=names[0])

    def _series(self, told: Any) -> Any:
        import pandas as pd

        column, index, name = told
        return pd.Series(
            self._column(column), self._index(index), name=self.value(name), copy=False
        )

    def _frame(self, told: Any) -> Any:
        import pandas as pd

        names, index, columns = told
        parts = {i: self._column(one) for i, one in enumerate(columns)}
        frame = pd.DataFrame(parts, self._index(index), copy=False)
        frame.columns = self._index(names)
        return frame


def _ours(module: str, name: str) -> Any:
    if not module.startswith(_OURS):
        raise Unkeepable(f"{module}.{name} is not ours")
    found: Any = importlib.import_module(module)
    for part in name.split("."):
        found = getattr(found, part)
    return found


def encode(value: Any, nouns: Mapping[str, Any], into: Any) -> None:
    """Write a value to an open Arrow file.

    Parameters
    ----------
    value
        Made of frames, series, indexes, arrays, frozen dataclasses of this package,
        plain values, and tuples, lists, sets and dictionaries of them.
    nouns
        What the value may stand on, by name; they are named, and not written.
    into
        A path, or a file open for bytes.

    Raises
    ------
    Unkeepable
        It holds something else.
    """
    encoding = _Encoding({id(noun): name for name, noun in nouns.items()})
    tree = json.dumps(encoding.tree(value))
    columns = {str(i): _one_row(one) for i, one in enumerate(encoding.arrays)}
    columns = columns or {"0": _one_row(pa.array([0]))}
    batch = pa.RecordBatch.from_arrays([*columns.values()], [*columns])
    schema = batch.schema.with_metadata({_VALUE: tree})
    with pa.ipc.new_file(into, schema) as file:
        file.write_batch(batch.replace_schema_metadata(schema.metadata))


def _one_row(array: pa.Array) -> pa.Array:
    ends = pa.array(np.array([0, len(array)], np.int64))
    return pa.LargeListArray.from_arrays(ends, array)


def decode(source: Any, nouns: Mapping[str, Any]) -> Any:
    """Return the value in an Arrow file; its arrays are those of the file.

    Raises
    ------
    Unkeepable, KeyError, AttributeError, pyarrow.ArrowException
        The file was written by something else.
    """
    file = pa.ipc.open_file(source)
    tree = json.loads(file.schema.metadata[_VALUE])
    batch = file.get_batch(0)
    arrays = [column.values for column in batch.columns]
    return _Decoding(arrays, nouns).value(tree)
