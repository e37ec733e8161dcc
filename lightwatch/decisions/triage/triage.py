"""Every open trouble as an outage: what it is, how likely, what to test first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.decisions.areas import areas
from lightwatch.decisions.triage.calibration import Calibration
from lightwatch.decisions.triage.channel import CHANNELS, Channel
from lightwatch.decisions.triage.experience import Experience, experience
from lightwatch.decisions.triage.grid import ALONE
from lightwatch.decisions.triage.judge import INFERRED, CircuitJudged, judge
from lightwatch.decisions.triage.misdrawn import Misdrawn, misdrawn
from lightwatch.decisions.triage.next_test import SOURCE, WRONG_READING
from lightwatch.decisions.triage.outage import (
    SHARED,
    VERDICTS,
    NextTest,
    Outage,
    at_cabinet,
)
from lightwatch.decisions.triage.said_before import closed_before, not_ours
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.telling import Telling
from lightwatch.decisions.triage.tested import readings
from lightwatch.decisions.triage.together import of_areas, suspected, with_areas
from lightwatch.decisions.triage.unrecorded import judge_unrecorded
from lightwatch.kept import once
from lightwatch.lives import Lives
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.feeds import kind_of_feed
from lightwatch.words import PER_LIGHT

METHOD = (
    "Judged by weighing every report, silence, patrol and repair against the rates of "
    "the records; an estimate, never proof that anything is dead."
)
"""Said wherever these verdicts are shown."""

LIKELY = 0.5
"""A light as likely as this to be dark by its feed belongs to the feed's fault."""


Shares = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Triage:
    """All that verdicts are drawn from, as known on a day."""

    known: Experience = field(repr=False)
    signs: Signs = field(repr=False)
    meant: Calibration | None = None
    """Corrects probabilities of feed faults, where closed jobs have shown how."""
    misdrawn: tuple[Misdrawn, ...] = ()
    """Lights that are probably on another circuit than on record; taken for on it."""
    within: frozenset[str] | None = None
    """Only these circuits are judged; None: every one."""

    @classmethod
    def of(cls, lives: Lives, rates: Experience | None = None) -> Triage:
        """Read off the records the rates, unless at hand, and what is misdrawn."""
        known, signs = rates or experience(lives), Signs.of(lives.register)
        return cls.drawn(signs, known, misdrawn(signs, known))

    @classmethod
    def drawn(
        cls, signs: Signs, known: Experience, wrong: tuple[Misdrawn, ...]
    ) -> Triage:
        """Take rates, and what is misdrawn, as they are."""
        rather = {one.light_id: one.probably_on for one in wrong}
        return cls(known, signs.with_lights_on(rather), misdrawn=wrong)

    @property
    def register(self) -> Register:
        """What stands, as known on the day."""
        return self.signs.register

    @property
    def troubles(self) -> pd.DataFrame:
        """Every open report and sighting, with its circuit."""
        return self.signs.open

    @cached_property
    def standing(self) -> pd.DataFrame:
        """Lights in service, by identifier."""
        return self.register.standing.set_index("light_id", drop=False)

    @cached_property
    def circuits(self) -> pd.DataFrame:
        """Circuits, by identifier."""
        return self.register.circuits.set_index("circuit_id")

    @cached_property
    def kind_of_section(self) -> dict[str, str]:
        """For each section whether it is cable or line."""
        sections = self.register.known.sections
        return {
            section: kind_of_feed(kind)
            for section, kind in zip(
                sections["section_id"], sections["kind"], strict=True
            )
            if kind
        }

    @once
    def judged(self, channel: Channel) -> list[CircuitJudged]:
        """Judge every circuit on which something of a channel is open."""
        some = self.troubles[self.troubles["symptom"].isin(channel.symptoms)]
        names, beside = sorted(set(some["circuit"])), []
        if self.within is not None:
            names = [name for name in names if name in self.within]
        elif channel.by_feed:
            lights = self.signs.grid.light_ids.get_indexer(some["light_id"])
            troubled = np.unique(lights[lights >= 0])
            beside = judge_unrecorded(self.signs, self.known, troubled, channel)
            done = {one.circuit_id for one in beside if one.circuit_id}
            names = [name for name in names if name not in done and name[0] != ALONE]
            beside = [one for one in beside if one.circuit_id in {"", *some["circuit"]}]
        found = judge(self.signs, self.known, names, channel)
        if self.meant is None or not channel.by_feed:
            return found + beside
        return [self.meant.applied(one) for one in found] + beside

    def corrected(self, meant: Calibration) -> Triage:
        """Return the same with probabilities brought to what they mean."""
        return replace(self, meant=meant)

    def components(self, light: str, symptom: str) -> Shares:
        """Say which component it is, if it is this light alone."""
        if symptom == "knocked_down":
            return (("pole", 1.0),)
        table = self.known.of_lights
        if light not in table.index:
            return (("unknown", 1.0),)
        hazard = table.loc[light]
        weights = {
            str(kind): float(rate) * self.known.shows(str(kind), (symptom,))
            for kind, rate in hazard[hazard > 0].items()
        }
        total = sum(weights.values())
        if not total or not set(weights) - set(PER_LIGHT):
            return (("unknown", 1.0),)
        ordered = sorted(weights.items(), key=lambda pair: (-pair[1], pair[0]))
        return tuple((kind, weight / total) for kind, weight in ordered)

    def underground(self, circuit_id: str, light: str, sections: Shares) -> bool | None:
        """Tell whether the feed is underground; of a mixed one, the likeliest part."""
        feed = self.register.feed_at(circuit_id, light)
        if feed != "mixed":
            return {"underground": True, "overhead": False}.get(feed)
        section = sections[0][0] if sections else self.standing.at[light, "section_id"]
        kind = self.kind_of_section.get(section)
        return None if kind is None else kind == "cable"


@dataclass(frozen=True)
class _Case:
    """Open troubles that are one entry, and what is believed of their circuit."""

    triage: Triage
    judged: CircuitJudged
    channel: Channel
    troubles: pd.DataFrame
    lights: tuple[str, ...]
    stretch: str

    @cached_property
    def reported(self) -> tuple[str, ...]:
        return tuple(sorted(set(self.troubles["light_id"])))

    @cached_property
    def _place(self) -> dict[str, int]:
        return {light: i for i, light in enumerate(self.judged.light_ids)}

    @cached_property
    def shares(self) -> dict[str, float]:
        """Probability of each verdict; they sum to 1."""
        rows = [self._place[light] for light in self.reported]
        dark = float(self.judged.dark[rows].max())
        lit = np.clip(1 - self.judged.dark[rows] - self.judged.own[rows], 0.0, 1.0)
        false = float(np.prod(lit / np.maximum(1 - self.judged.dark[rows], 1e-12)))
        group = min(self.judged.group, dark)
        return {
            **dict.fromkeys(VERDICTS, 0.0),
            "group_photocontrol": group,
            "supply_fault": dark - group,
            "single_light": (1 - dark) * (1 - false),
            "no_fault": (1 - dark) * false,
        }

    @cached_property
    def sections(self) -> Shares:
        """Sections that could darken this stretch, or this light."""
        likely = self.judged.likely_sections()
        if self.stretch in (SOURCE, INFERRED):
            return likely
        feeds = self.triage.register.feeds
        own = self.stretch
        if not own:
            own = str(self.triage.standing.at[self.reported[0], "section_id"])
            return tuple(one for one in likely if one[0] in feeds.get(own, ()))
        return tuple(
            (name, chance)
            for name, chance in likely
            if own in feeds.get(name, ()) or name in feeds.get(own, ())
        )

    @property
    def is_shared(self) -> bool:
        """Tell whether the likeliest verdict is a fault that lights share."""
        likeliest = max(self.shares, key=lambda name: self.shares[name])
        return likeliest in SHARED or self.at_cabinet is not None

    @property
    def dark(self) -> dict[str, float]:
        """Probability of each light of the circuit to be dark by its feed."""
        return dict(zip(self.judged.light_ids, self.judged.dark.tolist(), strict=True))

    @property
    def supply(self) -> float:
        """Probability that it is the circuit's main supply or main fuse."""
        return min(self.judged.supply, self.shares["supply_fault"])

    @property
    def at_cabinet(self) -> float | None:
        """As of the outage that it becomes."""
        return at_cabinet(self.shares, self.supply)

    @property
    def live_readings(self) -> int:
        """How often the likeliest section's far end must be read live to clear it."""
        if not self.sections or not self.is_shared:
            return 1
        held = self.triage.standing["section_id"].reindex(self.judged.light_ids)
        at = np.flatnonzero(held.to_numpy(object) == self.sections[0][0])
        dark = self.judged.dark[at].max() if len(at) else 0.5
        odds = dark / max(1 - dark, 1e-12)
        needed = np.log(max(odds, 1.0)) / np.log((1 - WRONG_READING) / WRONG_READING)
        return max(1, int(np.ceil(needed)))

    def onset(self) -> float | None:
        """Return the instant about which the shared fault began."""
        age = self.judged.began
        if age is None:
            return None
        return min(self.triage.signs.now - age * DAY, float(self.troubles["at"].min()))


def _commonest(symptoms: Iterable[str]) -> str:
    counts = Counter(symptoms)
    return min(counts, key=lambda name: (-counts[name], name))


def _entry(case: _Case) -> Outage:
    """Put one outage together."""
    triage, judged = case.triage, case.judged
    clock = triage.register.known.clock
    symptom = _commonest(case.troubles["symptom"])
    components = triage.components(case.reported[0], symptom)
    telling = Telling(
        triage.register,
        triage.signs,
        judged,
        case.reported,
        case.lights,
        case.sections,
        case.stretch,
        int(case.troubles["at"].min()),
        case.at_cabinet is not None,
    )
    before = closed_before(triage.register, case.reported, telling.since)
    before += not_ours(telling.lights.loc[list(case.reported)])
    test: NextTest | None
    if case.is_shared:
        test, needed = telling.test_shared()
        why = telling.why_shared()
    else:
        test, needed = telling.test_alone(components), None
        why = telling.why_alone(symptom, int(case.troubles["unseen"].min()))
    shared = case.is_shared and not judged.inferred
    onset = case.onset() if case.is_shared and case.channel.by_feed else None
    return Outage(
        lights=tuple(sorted({*case.reported, *case.lights})),
        reported=case.reported,
        circuit_id=judged.circuit_id or None,
        underground=triage.underground(
            judged.circuit_id, case.reported[0], case.sections
        ),
        symptom=symptom,
        probabilities=case.shares,
        sections=case.sections if case.channel.by_feed else (),
        components=components,
        test_first=test,
        since=clock.at(int(case.troubles["at"].min())),
        why=tuple(why + before),
        danger=tuple(sorted(set(case.troubles["danger"]) - {""})),
        seen_lit=telling.seen_lit if case.is_shared else (),
        dark_since=None if onset is None else clock.at(int(onset)),
        inferred=judged.inferred,
        checks_needed=needed,
        to_open=telling.proving.to_open if shared else None,
        live_readings=case.live_readings,
        searched=case.channel.by_feed and telling.searched,
        supply=case.supply,
        dark=case.dark if case.channel.by_feed else {},
    )


def of_circuit(
    triage: Triage, judged: CircuitJudged, channel: Channel, troubles: pd.DataFrame
) -> list[Outage]:
    """Return a circuit's entries: one a dark stretch, one a light that remains."""
    stretch = dict(zip(judged.light_ids, judged.stretch, strict=True))
    dark = dict(zip(judged.light_ids, judged.dark.tolist(), strict=True))
    told = [str(light) for light in troubles["light_id"]]
    at = [stretch[one] if dark.get(one, 0.0) > LIKELY else "" for one in told]
    alone = ["" if name else light for light, name in zip(told, at, strict=True)]
    cases = [
        _Case(triage, judged, channel, some, (), "")
        for some in _by(alone, troubles).values()
    ]
    parts = _by(at, troubles)
    if channel.by_feed and readings(triage.signs, judged):
        cases, parts = _as_one(cases, parts)
    found = []
    for name, some in parts.items():
        beyond = tuple(
            light
            for light in judged.light_ids
            if name and stretch[light] == name and dark[light] > LIKELY
        )
        found.append(_entry(_Case(triage, judged, channel, some, beyond, name)))
    return found + [_entry(case) for case in cases]


def _by(names: list[str], troubles: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return the troubles of each name, in order of names; '' is none."""
    rows: dict[str, list[int]] = {name: [] for name in sorted(set(names) - {""})}
    for row, name in enumerate(names):
        if name:
            rows[name].append(row)
    return {name: troubles.iloc[some] for name, some in rows.items()}


def _as_one(
    cases: list[_Case], parts: dict[str, pd.DataFrame]
) -> tuple[list[_Case], dict[str, pd.DataFrame]]:
    """Put lights that the feed is likeliest to keep dark with a stretch of it.

    A reading can leave them no likelier dark than not. Without a dark stretch they are
    one of their own.
    """
    shared = [case for case in cases if case.is_shared]
    joined = dict(parts)
    for case in shared:
        mine = {section for section, _ in case.sections}
        name = min(joined, key=lambda name: name not in mine, default="")
        with_it = [joined[name]] if name in joined else []
        joined[name] = pd.concat([*with_it, case.troubles])
    return [case for case in cases if not case.is_shared], joined


def outages(lives: Lives) -> list[Outage]:
    """Return every open trouble: one entry a suspected shared fault or a light.

    Danger comes first, then probability x lights x nights open.
    """
    return triaged(Triage.of(lives))


def triaged(triage: Triage) -> list[Outage]:
    """Return every open trouble, from rates and signs already read."""
    register = triage.register
    found = of_areas(triage.signs)
    for channel in CHANNELS:
        troubles = triage.troubles
        troubles = troubles[troubles["symptom"].isin(channel.symptoms)]
        some: list[Outage] = []
        circuits = triage.judged(channel)
        owner = {light: i for i, one in enumerate(circuits) for light in one.light_ids}
        rows = troubles.groupby(troubles["light_id"].map(owner)).indices
        for i, judged in enumerate(circuits):
            open_here = troubles.iloc[rows.get(i, [])]
            some += of_circuit(triage, judged, channel, open_here)
        if channel.by_feed and some and triage.within is None:
            some = with_areas(
                some, areas(register, suspected(circuits, triage.signs.now))
            )
        found += some
    return by_urgency(found, register)


def by_urgency(outages: Iterable[Outage], register: Register) -> list[Outage]:
    """Put danger first, then what is worth most lights and nights."""
    now = register.known.clock.at(register.as_of)

    def urgency(outage: Outage) -> tuple[bool, float, tuple[str, ...]]:
        nights = (now - outage.since).total_seconds() * 1e6 / DAY
        weight = outage.probability * len(outage.lights) * nights
        return not outage.danger, -weight, outage.lights

    return sorted(outages, key=urgency)
