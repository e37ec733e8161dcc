"""A folder of kept values: good for one state of the records and this code alone."""

from __future__ import annotations

import shutil
import tempfile
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from hashlib import blake2b
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pyarrow as pa

from lightwatch.kept.codec import Unkeepable, decode, encode, nouns_of
from lightwatch.kept.derive import MISSING

_LIBRARIES = ("numpy", "pandas", "pyarrow", "scikit-learn", "scipy")
_UNREADABLE = (
    pa.ArrowException, Unkeepable, OSError, LookupError, ValueError, TypeError,
    AttributeError, ImportError,
)  # fmt: skip


@cache
def of_code() -> str:
    """Return a fingerprint of this package's code and of what it calculates with."""
    made = blake2b(digest_size=12)
    package = Path(__file__).parents[1]
    for path in sorted(package.rglob("*.py")):
        made.update(path.relative_to(package).as_posix().encode() + path.read_bytes())
    for name in _LIBRARIES:
        made.update(f"{name} {version(name)};".encode())
    return made.hexdigest()


@dataclass(frozen=True)
class Folder:
    """What is kept for one state of the records.

    Parameters
    ----------
    root
        The folder in which a folder a state is made.
    state
        Everything that the values depend on beside the code, as a short string.
    holds
        Says whether the records are in that state still; asked before writing.
    """

    root: Path
    state: str
    holds: Callable[[], bool]
    _noted: dict[str, tuple[Any, Any]] = field(default_factory=dict, repr=False)

    @property
    def path(self) -> Path:
        """Where this state's values are."""
        key = f"{self.state};{of_code()}".encode()
        return self.root / blake2b(key, digest_size=12).hexdigest()

    def has(self, name: str) -> bool:
        """Tell whether something is kept under a name."""
        return self._file(name) is not None

    def _file(self, name: str) -> Path | None:
        """Return the file of a value; its own check is part of its name."""
        return next(self.path.glob(f"{name}.????????.arrow"), None)

    def find(self, name: str, noun: Any) -> Any:
        """Return the value kept under a name; ``MISSING`` if none can be believed."""
        path = self._file(name)
        if path is None:
            return MISSING
        try:
            source = pa.memory_map(str(path))
            if not path.name.endswith(f".{_check(source)}.arrow"):
                return MISSING
            return decode(source, nouns_of(noun))
        except _UNREADABLE:
            return MISSING

    def note(self, name: str, value: Any, noun: Any) -> None:
        """Remember a value that was worked out, to be written in the end."""
        self._noted[name] = value, noun

    def write(self) -> None:
        """Keep what was noted, if the records are in this state still.

        A folder that cannot be written keeps nothing: that costs time, no more.
        """
        noted = dict(self._noted)
        self._noted.clear()
        if not noted or not self.holds():
            return
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            for other in self.root.iterdir():
                if other != self.path and other.is_dir():
                    shutil.rmtree(other, ignore_errors=True)
            for name, (value, noun) in noted.items():
                with suppress(Unkeepable):
                    self._keep(name, value, noun)
        except OSError:
            return

    def _keep(self, name: str, value: Any, noun: Any) -> None:
        with tempfile.NamedTemporaryFile(dir=self.path, delete=False) as file:
            made = Path(file.name)
        try:
            encode(value, nouns_of(noun), str(made))
            check = _check(pa.memory_map(str(made)))
            made.replace(self.path / f"{name}.{check}.arrow")
        finally:
            made.unlink(missing_ok=True)


def _check(source: Any) -> str:
    return f"{zlib.crc32(source.read_buffer()):08x}"
