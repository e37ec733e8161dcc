"""Every open trouble as an outage: what it is, how likely, what to test first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.experience import Experience, experience
from lightwatch.decisions.triage.odds import SEEN_WRONGLY, Odds, Suspect, weigh
from lightwatch.decisions.triage.outage import VERDICTS, NextTest, Outage
from lightwatch.decisions.triage.troubles import last_seen_lit, open_troubles
from lightwatch.lives import Lives
from lightwatch.nights import DAY
from lightwatch.register.feeds import kind_of_feed
from lightwatch.words import DARK, PER_LIGHT

METHOD = (
    "Judged from hazards and counts on each circuit alone, one shared fault at a time; "
    "an estimate, never proof that anything is dead."
)
"""Said wherever these verdicts are shown."""


_MISSED = {"knocked_down": 0.1, "dayburning": 0.1, "cycling": 0.6, "dim": 0.6}
_MISSED_OTHERWISE = 0.4
"""Chance that a patrol passes such a light and does not note it; no source."""


@dataclass(frozen=True)
class _Circuit:
    """One circuit's lights in their order, and what is open on them."""

    circuit_id: str
    lights: pd.DataFrame
    troubles: pd.DataFrame
    odds: Odds | None


@dataclass(frozen=True)
class Triage:
    """What the verdicts are drawn from."""

    lives: Lives
    known: Experience = field(repr=False)

    @cached_property
    def standing(self) -> pd.DataFrame:
        """Lights in service, by identifier."""
        return self.lives.register.standing.set_index("light_id", drop=False)

    @cached_property
    def circuits(self) -> pd.DataFrame:
        """Circuits, by identifier."""
        return self.lives.register.known.circuits.set_index("circuit_id")

    @cached_property
    def sections(self) -> pd.DataFrame:
        """Sections, by identifier."""
        return self.lives.register.known.sections.set_index("section_id")

    @cached_property
    def fitted(self) -> dict[str, list[tuple[str, str]]]:
        """For each light the (kind, type) of what hangs on it now."""
        frame = self.lives.frame
        now = frame[
            (frame["end"] >= self.lives.register.as_of) & (frame["light_id"] != "")
        ]
        found: dict[str, list[tuple[str, str]]] = {}
        for light, kind, name in zip(
            now["light_id"], now["kind"], now["type"], strict=True
        ):
            found.setdefault(light, []).append((kind, name))
        return found


def _suspects(triage: Triage, circuit_id: str, lights: pd.DataFrame) -> list[Suspect]:
    register, known = triage.lives.register, triage.known
    everything = np.ones(len(lights), dtype=bool)
    suspects = [Suspect("supply_fault", None, everything, known.supply_per_year)]
    if triage.circuits.at[circuit_id, "control"] == "group":
        suspects.append(
            Suspect("group_photocontrol", None, everything, known.group_per_year)
        )
    ways = [register.feeds.get(section, ()) for section in lights["section_id"]]
    beyond: dict[str, list[int]] = {}
    for i, way in enumerate(ways):
        for section in way:
            beyond.setdefault(section, []).append(i)
    usual = float(np.mean(list(known.section_per_km_year.values()) or [0.02]))
    for section, indices in beyond.items():
        dark = np.zeros(len(lights), dtype=bool)
        dark[indices] = True
        row = triage.sections.loc[section]
        km = row["length_m"] / 1000 if row["length_m"] > 0 else 0.03
        rate = known.section_per_km_year.get(row["kind"], usual)
        suspects.append(Suspect("supply_fault", section, dark, rate * km))
    return suspects


def _judged(triage: Triage, circuit_id: str, troubles: pd.DataFrame) -> _Circuit:
    standing = triage.standing
    lights = standing[standing["circuit_id"] == circuit_id]
    dark = troubles[troubles["symptom"].isin(DARK)]
    odds = None
    if len(dark) and circuit_id in triage.circuits.index:
        lit = last_seen_lit(triage.lives.register, set(lights["light_id"]))
        seen = lights["light_id"].map(lit).astype(float) > dark["at"].min()
        reported = lights["light_id"].isin(set(dark["light_id"])).to_numpy()
        suspects = tuple(_suspects(triage, circuit_id, lights))
        odds = weigh(suspects, reported, seen.to_numpy(), triage.known)
    return _Circuit(circuit_id, lights, troubles, odds)


def _underground(triage: Triage, circuit: _Circuit) -> bool | None:
    if circuit.circuit_id not in triage.circuits.index:
        return None
    feed = triage.circuits.at[circuit.circuit_id, "feed"]
    if feed != "mixed":
        return bool(feed == "underground")
    sections = circuit.odds.sections() if circuit.odds else ()
    kinds = triage.sections["kind"]
    if not sections:
        own = circuit.troubles["light_id"].iloc[0]
        section = triage.standing.at[own, "section_id"]
        return kind_of_feed(kinds[section]) == "cable" if section in kinds else None
    return kind_of_feed(kinds[sections[0][0]]) == "cable"


def _components(
    triage: Triage, light: str, symptom: str
) -> tuple[tuple[str, float], ...]:
    """Say which component it is, if it is this light alone."""
    if symptom == "knocked_down":
        return (("pole", 1.0),)
    known = triage.known
    weights: dict[str, float] = {}
    for kind, name in triage.fitted.get(light, []):
        rate = known.component_per_year.get((kind, name), 0.0)
        share = known.symptom_share.get((kind, symptom), 1e-3)
        weights[kind] = weights.get(kind, 0.0) + rate * share
    total = sum(weights.values())
    if not total or not set(weights) - set(PER_LIGHT):
        return (("unknown", 1.0),)
    ordered = sorted(weights.items(), key=lambda pair: (-pair[1], pair[0]))
    return tuple((kind, weight / total) for kind, weight in ordered)


def _where(triage: Triage, light: str) -> str:
    pole = triage.standing.at[light, "pole_id"]
    return f"pole {pole} (light {light})" if pole else f"light {light}"


def _test_shared(triage: Triage, circuit: _Circuit, odds: Odds) -> NextTest:
    source = triage.circuits.at[circuit.circuit_id, "source"] or "the circuit's source"
    sections = odds.sections()
    at_source = 1.0 - sum(chance for _, chance in sections)
    if not sections or at_source > sections[0][1]:
        why = "it feeds everything that is dark: supply, main fuse and group control"
        return NextTest(str(source), why)
    section, chance = sections[0]
    lights = circuit.lights[circuit.lights["section_id"] == section]
    light = str(lights["light_id"].iloc[0]) if len(lights) else None
    where = _where(triage, light) if light else f"the far end of section {section}"
    why = (
        f"far end of {section}, the likeliest section ({chance:.0%}): if live, look "
        "beyond; if dead, back towards the source"
    )
    return NextTest(where, why, section, light)


def _test_alone(
    triage: Triage, light: str, components: tuple[tuple[str, float], ...]
) -> NextTest:
    keeper = triage.standing.at[light, "maintained_by"]
    kind, chance = components[0]
    if keeper:
        why = f"tell {keeper}, who maintains it"
    elif kind == "unknown":
        why = "what is fitted is not on record"
    else:
        why = f"likeliest part: {kind.replace('_', ' ')} ({chance:.0%})"
    return NextTest(_where(triage, light), why, None, light)


def _not_ours(triage: Triage, lights: Iterable[str]) -> list[str]:
    found = []
    for light in lights:
        row = triage.standing.loc[light]
        if row["maintained_by"]:
            found.append(
                f"{light} is maintained by {row['maintained_by']}: not ours to repair"
            )
        elif row["feed_owner"]:
            found.append(
                f"{light} is fed by {row['feed_owner']}: the feed is not ours to open"
            )
    return found


def _commonest(symptoms: Iterable[str]) -> str:
    counts = Counter(symptoms)
    return min(counts, key=lambda name: (-counts[name], name))


def _entry(
    triage: Triage,
    circuit: _Circuit,
    troubles: pd.DataFrame,
    shares: dict[str, float],
    also_dark: tuple[str, ...] = (),
) -> Outage:
    """Put one outage together; ``shares`` are of the shared verdicts."""
    clock = triage.lives.register.known.clock
    reported = tuple(sorted(set(troubles["light_id"])))
    since = int(troubles["at"].min())
    symptom = _commonest(troubles["symptom"])
    rest = max(1.0 - sum(shares.values()), 0.0)
    false = _false(triage, troubles)
    probabilities = {
        **dict.fromkeys(VERDICTS, 0.0),
        **shares,
        "single_light": rest * (1 - false),
        "no_fault": rest * false,
    }
    verdict = max(probabilities, key=lambda name: probabilities[name])
    is_shared = verdict in ("supply_fault", "group_photocontrol")
    components = _components(triage, reported[0], symptom)
    odds = circuit.odds
    if is_shared and odds:
        test: NextTest | None = _test_shared(triage, circuit, odds)
        why = _why_shared(circuit, reported, odds)
    else:
        test = _test_alone(triage, reported[0], components)
        why = _why_alone(circuit, troubles, symptom)
    return Outage(
        lights=tuple(sorted({*reported, *also_dark})),
        reported=reported,
        circuit_id=circuit.circuit_id or None,
        underground=_underground(triage, circuit),
        symptom=symptom,
        probabilities=probabilities,
        sections=odds.sections() if odds and symptom in DARK else (),
        components=components,
        test_first=test,
        since=clock.at(since),
        why=tuple(why + _not_ours(triage, reported)),
        danger=tuple(sorted(set(troubles["danger"]) - {""})),
    )


def _false(triage: Triage, troubles: pd.DataFrame) -> float:
    """Odds that there is nothing there: a false report, or another light's.

    A patrol that should have noted it and did not makes that likelier.
    """
    share: float = triage.known.false_share ** troubles["light_id"].nunique()
    if troubles["seen"].any():
        share *= SEEN_WRONGLY
    missed = _MISSED.get(_commonest(troubles["symptom"]), _MISSED_OTHERWISE)
    unseen: float = missed ** int(troubles["unseen"].min())
    return share / (share + (1 - share) * unseen)


def _why_shared(circuit: _Circuit, reported: tuple[str, ...], odds: Odds) -> list[str]:
    sections = odds.sections()
    everything = f"{len(reported)} of {len(circuit.lights)} lights of the circuit out"
    if not sections:
        return [everything]
    top = sections[0][0]
    dark = next(s.dark for s in odds.suspects if s.section_id == top)
    beyond = set(circuit.lights["light_id"][dark])
    inside = len(beyond & set(reported))
    before = len(set(reported) - beyond)
    return [
        f"{inside} of {len(beyond)} lights beyond {top} reported out, "
        f"{before or 'none'} elsewhere on the circuit"
    ]


def _why_alone(circuit: _Circuit, troubles: pd.DataFrame, symptom: str) -> list[str]:
    unseen = int(troubles["unseen"].min())
    if symptom not in DARK:
        said = [f"{symptom.replace('_', ' ')} points to the light itself"]
        if unseen:
            said.append(f"{unseen} later patrols passed and did not note it")
        return said
    others = set(circuit.troubles["light_id"]) - set(troubles["light_id"])
    if not others:
        return [f"no other of the circuit's {len(circuit.lights)} lights reported"]
    return [
        f"{len(others) + 1} of the circuit's {len(circuit.lights)} lights reported, "
        "but a shared fault would explain that less well"
    ]


def _group_control(triage: Triage, circuit: _Circuit, light: str) -> float:
    """Odds that a light which burns by day does so by its group's photocontrol."""
    if circuit.circuit_id not in triage.circuits.index:
        return 0.0
    own = any(kind == "photocontrol" for kind, _ in triage.fitted.get(light, []))
    if own or triage.circuits.at[circuit.circuit_id, "control"] != "group":
        return 0.0
    known = triage.known
    group = known.group_per_year * known.symptom_share.get(
        ("photocontrol", "dayburning"), 0.1
    )
    alone = sum(
        known.component_per_year.get(pair, 0.0)
        * known.symptom_share.get((pair[0], "dayburning"), 1e-3)
        for pair in triage.fitted.get(light, [])
    )
    return group / (group + alone) if group + alone else 0.0


def _of_circuit(triage: Triage, circuit: _Circuit) -> list[Outage]:
    dark = circuit.troubles[circuit.troubles["symptom"].isin(DARK)]
    outages = []
    odds = circuit.odds
    if odds is not None and odds.posterior.sum() > 0.5:
        chance = dict(zip(circuit.lights["light_id"], odds.dark(), strict=True))
        beyond = {light for light, one in chance.items() if one > 0.5}
        shared = dark[dark["light_id"].isin(beyond)]
        if len(shared):
            shares = {v: odds.of(v) for v in ("supply_fault", "group_photocontrol")}
            outages.append(
                _entry(triage, circuit, shared, shares, tuple(sorted(beyond)))
            )
            dark = dark[~dark["light_id"].isin(beyond)]
    rest = circuit.troubles[~circuit.troubles["symptom"].isin(DARK)]
    for light, some in pd.concat([dark, rest]).groupby("light_id", sort=True):
        shares = _shares_of_light(triage, circuit, str(light), some)
        outages.append(_entry(triage, circuit, some, shares))
    return outages


def _shares_of_light(
    triage: Triage, circuit: _Circuit, light: str, troubles: pd.DataFrame
) -> dict[str, float]:
    if _commonest(troubles["symptom"]) == "dayburning":
        return {"group_photocontrol": _group_control(triage, circuit, light)}
    odds = circuit.odds
    if odds is None or not troubles["symptom"].isin(DARK).any():
        return {}
    index = list(circuit.lights["light_id"]).index(light)
    darkens = [bool(suspect.dark[index]) for suspect in odds.suspects]
    return {
        verdict: float(
            sum(
                chance
                for suspect, chance, hit in zip(
                    odds.suspects, odds.posterior, darkens, strict=True
                )
                if hit and suspect.verdict == verdict
            )
        )
        for verdict in ("supply_fault", "group_photocontrol")
    }


def outages(lives: Lives) -> list[Outage]:
    """Return every open trouble: one entry a suspected shared fault or a light.

    Danger comes first, then probability x lights x nights open.
    """
    register = lives.register
    triage = Triage(lives, experience(lives))
    troubles = open_troubles(register)
    circuit = troubles["light_id"].map(triage.standing["circuit_id"])
    found: list[Outage] = []
    for circuit_id, some in troubles.groupby(circuit, sort=True):
        found += _of_circuit(triage, _judged(triage, str(circuit_id), some))
    now = register.known.clock.at(register.as_of)

    def urgency(outage: Outage) -> tuple[bool, float, tuple[str, ...]]:
        nights = (now - outage.since).total_seconds() * 1e6 / DAY
        weight = outage.probability * len(outage.lights) * nights
        return not outage.danger, -weight, outage.lights

    return sorted(found, key=urgency)
