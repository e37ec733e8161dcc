"""Sums over partitions of lives, on an existing Dask cluster.

Score and information add up over partitions, so that a fit over a cluster gives the
same numbers as one here. The lives travel inside the tasks: when a worker dies, the
scheduler makes its partitions again on another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import Any, TypeAlias

from lightwatch.errors import UnknownAsset
from lightwatch.rates.ages import FloatArray
from lightwatch.rates.newton import Partial, add
from lightwatch.rates.weibull_blocks import Block
from lightwatch.rates.weibull_likelihood import partial

Sum: TypeAlias = Callable[[FloatArray, int], Partial]
"""Sums score and information at a point over every step-th block."""

Keep: TypeAlias = Callable[[Sequence[Block]], Sum]
"""Takes blocks to where they are summed over."""


def here(blocks: Sequence[Block]) -> Sum:
    """Sum over blocks in this process."""
    return lambda theta, step: add(partial(theta, one) for one in blocks[::step])


def _hold(blocks: list[Block]) -> list[Block]:
    return blocks


def _share(blocks: list[Block], theta: FloatArray, step: int) -> Partial:
    return add(partial(theta, one) for one in blocks[::step] or blocks[:1])


def _client(address: str) -> Any:
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise UnknownAsset(
            "no cluster can be used here (expected pip install 'lightwatch[cluster]')"
        ) from None
    try:
        return distributed.Client(address, timeout="5s")
    except (OSError, TimeoutError, ValueError) as error:
        raise UnknownAsset(f"no scheduler answers at {address} ({error})") from None


@contextmanager
def on_cluster(address: str) -> Iterator[Keep]:
    """Yield a keeper of blocks that sums over them on a Dask cluster.

    Parameters
    ----------
    address
        Of its scheduler, such as tcp://127.0.0.1:8786.

    Raises
    ------
    UnknownAsset
        No scheduler answers there, or Dask is not installed.
    """
    client = _client(address)

    def keep(blocks: Sequence[Block]) -> Sum:
        workers = max(len(client.scheduler_info()["workers"]), 1)
        parts = [list(blocks[i::workers]) for i in range(min(workers, len(blocks)))]
        held = [client.submit(_hold, part, pure=False) for part in parts]

        def total(theta: FloatArray, step: int) -> Partial:
            shares = [
                client.submit(_share, part, theta, step, pure=False) for part in held
            ]
            return add(client.gather(shares))

        return total

    try:
        yield keep
    finally:
        client.close()
