"""Lights without a circuit on record, judged with their neighbours.

As circuits are (:mod:`.judge`), but over every feed that they may be on: the draws of
:mod:`.likely_feeds`, each with every way of cutting it into feeds, weighed by how well
it explains the signs. Lights that came dark together, in place and time, make a fault
of one feed likely; a light dark alone is left with the share that feeds usually have.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import KDTree

from lightwatch.decisions.triage.channel import DARKNESS, Channel
from lightwatch.decisions.triage.evidence import night_edges
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.judge import (
    INFERRED,
    CircuitJudged,
    top_dark,
)
from lightwatch.decisions.triage.likely_feeds import around
from lightwatch.decisions.triage.next_test import SOURCE
from lightwatch.decisions.triage.over_draws import BESIDE_M, LIKELY, Judging
from lightwatch.decisions.triage.signs import Signs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _names(judging: Judging, at: Ints) -> tuple[str, ...]:
    return tuple(judging.grid.light_ids.to_numpy(object)[judging.found.at[at]])


def _unknown_groups(judging: Judging, troubled: Ints) -> list[CircuitJudged]:
    """Return groups of lights on no circuit with something open, and single ones."""
    found, dark = judging.found, judging.dark
    label, circuit = judging.group
    free = np.flatnonzero(found.unknown)
    is_open = np.isin(found.at, troubled)
    joined = found.unknown & (dark > LIKELY)
    members = [np.array([i]) for i in free[is_open[free] & ~joined[free]]]
    grouped = np.flatnonzero(joined & (circuit[label] < 0))
    for some in pd.Series(grouped).groupby(label[grouped]):
        if is_open[some[1]].any():
            members.append(some[1].to_numpy())
    if not members:
        return []
    beside = KDTree(found.place[free])
    by_light = np.zeros((len(found.at), len(night_edges()) - 1))
    nodes = judging.drawn.node
    onset = judging.posterior.onset[nodes] * judging.at_node[nodes][:, None]
    np.add.at(by_light, judging.drawn.light, onset)
    judged = []
    for some in members:
        near = beside.query_ball_point(found.place[some], BESIDE_M)
        others = np.setdiff1d(free[np.unique(np.concatenate(near).astype(int))], some)
        others = others[found.window[others] == found.window[some[0]]]
        judged.append(
            CircuitJudged(
                "",
                inferred=True,
                light_ids=_names(judging, some),
                shared=float(judging.together[some].max()),
                group=0.0,
                supply=0.0,
                sections={},
                dark=dark[some],
                own=judging.own[some],
                stretch=tuple(np.where(dark[some] > LIKELY, INFERRED, "").tolist()),
                onset=by_light[some].sum(axis=0),
                beside=_names(judging, others),
            )
        )
    return judged


def _on_record(judging: Judging) -> list[CircuitJudged]:
    """Return the circuits on record, with the lights that probably hang on them."""
    found, drawn, posterior = judging.found, judging.drawn, judging.posterior
    label, circuit = judging.group
    owner = np.where(found.unknown, -1, 0)
    owner[~found.unknown] = np.searchsorted(
        found.circuits, judging.grid.circuit[found.at[~found.unknown]]
    )
    joins = found.unknown & (judging.dark > LIKELY)
    owner[joins] = circuit[label[joins]]
    n, of_node = len(found.circuits), judging.node_circuit
    hung = np.bincount(drawn.node, minlength=len(of_node)).astype(float)
    several = (drawn.forest.beyond(hung) >= 2) * judging.at_node * (of_node >= 0)
    at_fault = posterior.at_fault
    source = (of_node >= 0) & (np.append(judging.wired.section, 0)[drawn.copied] < 0)
    source &= np.append(judging.wired.forest.parent, 0)[drawn.copied] < 0

    def of_circuits(values: Floats) -> Floats:
        """Sum over nodes by circuit."""
        total: Floats = np.bincount(of_node + 1, values, n + 1)[1:].astype(float)
        return total

    share = judging.hazards.group_share[judging.wired.tree]
    share = np.append(share, 0.0)[drawn.copied]
    root = at_fault * judging.at_node * source
    group, supply = of_circuits(root * share), of_circuits(root * (1 - share))
    shared = np.minimum(of_circuits(several * at_fault), 1.0)
    onset = np.zeros((n + 1, posterior.onset.shape[1]))
    np.add.at(onset, of_node, posterior.onset * several[:, None])
    free = (of_node >= 0) & (np.append(judging.wired.section, 0)[drawn.copied] < 0)
    unnamed = of_circuits(several * at_fault * (free & ~source))
    stretch = _stretch_names(judging, owner)
    sections = _section_chances(judging)
    return [
        CircuitJudged(
            str(judging.grid.circuits[number]),
            bool(judging.wired.inferred[i] or unnamed[i] > shared[i] / 2),
            _names(judging, some),
            float(shared[i]),
            float(group[i]),
            float(supply[i]),
            sections.get(i, {}),
            judging.dark[some],
            judging.own[some],
            tuple(stretch[some]),
            onset[i],
        )
        for i, number in enumerate(found.circuits)
        for some in [np.flatnonzero(owner == i)]
    ]


def _stretch_names(judging: Judging, owner: Ints) -> NDArray[np.object_]:
    """Return for each light the dark stretch of its circuit that it lies on."""
    drawn, wired = judging.drawn, judging.wired
    top = top_dark(drawn.forest, judging.posterior.dark)[judging.best]
    copied = np.where(top >= 0, drawn.copied[top], -1)
    ids = np.append(judging.grid.section_ids.to_numpy(object), "")
    section = np.append(wired.section, -1)[copied]
    name: NDArray[np.object_] = ids[section]
    name[(copied >= 0) & (section < 0)] = INFERRED
    name[(copied >= 0) & (np.append(wired.forest.parent, 0)[copied] < 0)] = SOURCE
    by_map = np.append(wired.inferred, False)[owner]
    name[by_map] = np.where(judging.dark[by_map] > LIKELY, INFERRED, "")
    return name


def _section_chances(judging: Judging) -> dict[int, dict[str, float]]:
    """Return for each circuit its sections on record and their probabilities."""
    section = np.append(judging.wired.section, -1)[judging.drawn.copied]
    node = np.flatnonzero(section >= 0)
    ids = judging.grid.section_ids.to_numpy(object)[section[node]]
    chance = judging.posterior.at_fault[node] * judging.at_node[node]
    table = pd.DataFrame({"owner": judging.node_circuit[node], "id": ids, "p": chance})
    summed = table.groupby(["owner", "id"])["p"].sum()
    return {
        int(owner): dict(zip(some.index.get_level_values("id"), some, strict=True))
        for owner, some in summed.groupby(level="owner")
    }


def judge_unrecorded(
    signs: Signs, known: Experience, troubled: Ints, channel: Channel = DARKNESS
) -> list[CircuitJudged]:
    """Judge lights on no circuit, and the circuits on record that they may hang on.

    Parameters
    ----------
    signs
        All that was observed, as known at the time of judging.
    known
        Rates from the records.
    troubled
        Numbers of the lights of which something of the channel is open.
    channel
        Which symptoms are judged; one that shows a fault of the feed.

    Returns
    -------
    list
        One for each circuit on record; one without a name for each group of lights
        that one fault probably keeps dark, and for each other light in trouble.
        ``beside`` holds the lights near it.
    """
    found = around(signs.grid, troubled)
    if found is None:
        return []
    judging = Judging(signs, known, channel, found)
    on_record = _on_record(judging) if len(found.circuits) else []
    return on_record + _unknown_groups(judging, troubled)
