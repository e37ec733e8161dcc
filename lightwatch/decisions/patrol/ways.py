"""What may be driven and looked at, as columns of a programme; routes as flows.

A route is a flow: what goes into a junction comes out of it. A flow that hangs together
is driven in one go (Euler); Hierholzer's tour gives the order.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from lightwatch.decisions.patrol.network import Network
from lightwatch.decisions.patrol.problem import Flags, Floats, Ints, Tasks


@dataclass(frozen=True)
class Ways:
    """What may be driven and looked at: one column each; first all that is driven.

    Parameters
    ----------
    tail, head
        Junctions that a column leads from and to.
    seconds
        Time to drive or to look at it [s].
    task
        Looked at, -1 where it is only driven. Looks are in the order of headings.
    home
        Junction of the depot.
    net
        The network.
    """

    tail: Ints
    head: Ints
    seconds: Floats
    task: Ints
    home: int
    net: Network = field(repr=False)

    @classmethod
    def of(
        cls, net: Network, tasks: Tasks, task: Ints, ahead: Flags, home: int
    ) -> Ways:
        """Take a network, its tasks, and the task and direction of each heading."""
        driven = net.graph.tocoo()
        part = tasks.part[task]
        first, last = net.tail[part], net.head[part]
        return cls(
            np.concatenate([driven.row, np.where(ahead, first, last)]).astype(int),
            np.concatenate([driven.col, np.where(ahead, last, first)]).astype(int),
            np.concatenate([driven.data, tasks.look_s[task]]),
            np.concatenate([np.full(driven.nnz, -1), task]),
            home,
            net,
        )

    @property
    def drives(self) -> int:
        """How many columns are only driven."""
        return int((self.task < 0).sum())

    @property
    def flat(self) -> Floats:
        """Places of junctions on a plane, shape (n, 2)."""
        cosine = np.cos(np.radians(self.net.places[:, 1].mean()))
        flat: Floats = self.net.places * [cosine, 1.0]
        return flat

    def only(self, headings: Ints, tasks: Ints) -> Ways:
        """Return the same with some of the looks, their tasks numbered anew."""
        kept = np.append(np.arange(self.drives), headings - 1 + self.drives)
        number = np.full(int(self.task.max(initial=0)) + 2, -1)
        number[tasks] = np.arange(len(tasks))
        return replace(
            self,
            tail=self.tail[kept],
            head=self.head[kept],
            seconds=self.seconds[kept],
            task=number[self.task[kept]],
        )

    def flow(self, route: tuple[int, ...]) -> Ints:
        """Return how often a route uses each column."""
        count = np.zeros(len(self.tail), dtype=np.int64)
        looks = np.array(route, dtype=np.int64) + self.drives - 1
        count[looks] = 1
        start = np.append(self.head[looks], self.home)
        start = np.roll(start, 1)
        end = np.append(self.tail[looks], self.home)
        sources, before = self.net.ways(start)
        column = {
            pair: i
            for i, pair in enumerate(
                zip(self.tail[: self.drives].tolist(), self.head.tolist(), strict=False)
            )
        }
        rows = np.searchsorted(sources, start)
        for row, first, at in zip(rows, start.tolist(), end.tolist(), strict=True):
            while at != first:
                came = int(before[row, at])
                count[column[came, at]] += 1
                at = came
        return count

    def tour(self, count: Ints) -> tuple[int, ...]:
        """Return the headings in the order of an Euler tour from the depot."""
        leaving: dict[int, list[int]] = {}
        for column in np.repeat(np.arange(len(count)), count).tolist():
            leaving.setdefault(int(self.tail[column]), []).append(column)
        stack, order = [(self.home, -1)], []
        while stack:
            at, by = stack[-1]
            if leaving.get(at):
                column = leaving[at].pop()
                stack.append((int(self.head[column]), column))
            else:
                order.append(by)
                stack.pop()
        looks = [one for one in reversed(order) if one >= self.drives]
        return tuple(int(one) - self.drives + 1 for one in looks)

    def parts(self, count: Ints | Flags) -> tuple[Ints, Ints]:
        """Return the part that each junction lies in, and the parts off the depot."""
        used = np.flatnonzero(count)
        size = len(self.net.places)
        graph = csr_matrix(
            (np.ones(len(used)), (self.tail[used], self.head[used])), shape=(size, size)
        )
        _, label = connected_components(graph, connection="weak")
        found = np.unique(label[self.tail[used]])
        return label, found[found != label[self.home]]
