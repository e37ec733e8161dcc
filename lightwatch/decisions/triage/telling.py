"""Why, and what to test first, in a dispatcher's words."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.spatial.distance import cdist

from lightwatch.decisions.triage.grid import metres
from lightwatch.decisions.triage.judge import INFERRED, CircuitJudged
from lightwatch.decisions.triage.next_test import SOURCE
from lightwatch.decisions.triage.outage import NextTest
from lightwatch.decisions.triage.over_draws import BESIDE_M
from lightwatch.decisions.triage.proving import Proving
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.spoken import day_of, per_cent, symptom_said
from lightwatch.decisions.triage.tested import OLD_NIGHTS, Reading, readings
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.words import DARK

NO_CIRCUIT = "no circuit is on record here; feed inferred from place and time"


@dataclass(frozen=True)
class Telling:
    """One entry, with what stands and what was observed around it.

    Parameters
    ----------
    register, signs, judged
        What the entry was judged from.
    reported
        Lights of the entry that were reported or sighted.
    dark
        Lights probably dark through its fault.
    sections
        (section, probability) that could be at fault, highest first.
    stretch
        Name of the dark stretch; '' for a light on its own.
    since
        First report or sighting [instant].
    cabinet
        It is told as the group control or the supply, either of them.
    """

    register: Register
    signs: Signs
    judged: CircuitJudged
    reported: tuple[str, ...]
    dark: tuple[str, ...]
    sections: tuple[tuple[str, float], ...]
    stretch: str
    since: int
    cabinet: bool = False

    @cached_property
    def lights(self) -> pd.DataFrame:
        """The circuit's lights, or those near by, by identifier."""
        return self.signs.lights_named((*self.judged.light_ids, *self.judged.beside))

    @cached_property
    def passed(self) -> dict[str, float]:
        """Lights of the circuit that a patrol passed since and did not note, and when.

        The last time [instant]; those of the entry are left out.
        """
        ids = self.lights.index
        which, at = self.signs.driven.passes(
            self.signs.grid.light_ids.get_indexer(ids), "night"
        )
        last = np.zeros(len(ids))
        np.maximum.at(last, which, np.where(at > self.since, at, 0.0))
        return {str(ids[i]): float(last[i]) for i in np.flatnonzero(last)}

    @cached_property
    def seen_lit(self) -> tuple[str, ...]:
        """Lights of the circuit that a night patrol passed since and did not note."""
        return tuple(sorted(set(self.passed) - set(self.reported)))

    def _lit_among(self, lights: set[str]) -> str:
        """Say how many of these were seen lit, and when last; '' for none."""
        lit = lights & set(self.seen_lit)
        if not lit:
            return ""
        clock = self.register.known.clock
        last = clock.at(int(max(self.passed[one] for one in lit)))
        return f"{len(lit)} seen lit since, last on {last.day} {last:%b}"

    @property
    def source(self) -> str:
        """What feeds the circuit, as people on the spot know it."""
        circuits = self.register.known.circuits
        found = circuits.loc[circuits["circuit_id"] == self.judged.circuit_id, "source"]
        return (
            str(found.iloc[0])
            if len(found) and found.iloc[0]
            else ("the circuit's source")
        )

    def where(self, light: str) -> str:
        """Name the pole of a light, and the light."""
        pole = self.lights.at[light, "pole_id"]
        return f"pole {pole} (light {light})" if pole else f"light {light}"

    def _at(self, section: str) -> str | None:
        """Return the first light at the far end of a section."""
        at = self.lights.index[self.lights["section_id"] == section]
        return str(at[0]) if len(at) else None

    def _ends(self, section: str) -> str:
        """Say between which poles a section runs; '' where that is not on record."""
        far = self._at(section)
        if far is None:
            return ""
        above = self.register.feeds.get(section, ())[1:]
        ends = (self._at(one) for one in above)
        near = next((self.where(one) for one in ends if one), self.source)
        return f"{section} runs from {near} to {self.where(far)}"

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """Tests of voltage on the circuit that bear on it, oldest first."""
        began = self.since - OLD_NIGHTS * DAY
        return tuple(
            one for one in readings(self.signs, self.judged) if one.at >= began
        )

    @property
    def searched(self) -> bool:
        """Whether a fault of the feed was looked for: something was read of late."""
        return any(one.age <= OLD_NIGHTS for one in self.readings)

    @cached_property
    def proving(self) -> Proving:
        """Where the fault may be, given what was read."""
        at_source = self.judged.group + self.judged.supply
        chances = dict(self.sections)
        if at_source >= 0.01 or not chances:
            chances[SOURCE] = max(at_source, 0.01)
        return Proving(
            chances, self.register.feeds, self.readings, tuple(self.judged.sections)
        )

    def test_shared(self) -> tuple[NextTest, float | None]:
        """Say where to test a shared fault first, and how many tests it takes."""
        if self.judged.inferred:
            if self.cabinet:
                return self._control_first(), None
            return self._test_inferred(self.judged.group + self.judged.supply), None
        proving = self.proving
        if proving.to_open:
            return self._open(proving.to_open), 0.0
        if proving.contradicted:
            return self._again(proving.contradicted), proving.needed
        needed = proving.needed if proving.tested else max(proving.needed, 1.0)
        if self.cabinet and SOURCE not in proving.settled:
            return self._control_first(), needed
        return self._split(), needed

    def _control_first(self) -> NextTest:
        """Say how a test at the cabinet tells the group control from the supply."""
        group, supply = map(per_cent, (self.judged.group, self.judged.supply))
        return NextTest(
            self.source,
            "the group control first, its eye covered: voltage ahead of it and none "
            f"behind it, it is the control or its contactor ({group}); none ahead of "
            f"it, the supply or main fuse ({supply}); log what is read behind it",
        )

    def _split(self) -> NextTest:
        """Say where a test tells most."""
        proving, rest = self.proving, _tests(self.proving.needed)
        check, chances = proving.check, proving.chances
        place = check.place if check else proving.likeliest
        if place == SOURCE:
            share = (self.judged.group + self.judged.supply) / sum(chances.values())
            why = (
                f"it feeds everything that is dark ({per_cent(share)} likely at "
                f"fault): supply, main fuse and group control{rest}"
            )
            return NextTest(self.source, why)
        light = self._at(place)
        where = self._end(place)
        tells = _splits(check.dead) if check else "the likeliest section ends here"
        far = f"far end of {place}: " if light else ""
        why = (
            f"{far}{tells}. If live, look beyond {place}; if dead, back "
            f"towards the source{rest}"
        )
        return NextTest(where, why, place, light)

    def _open(self, place: str) -> NextTest:
        """Say that a section needs no further test before it is opened."""
        likely = per_cent(self.proving.share(place))
        prove = "prove it dead at both ends, under load too, before it is opened"
        if place == SOURCE:
            why = (
                f"{likely} likely at fault: supply, main fuse or group control; {prove}"
            )
            return NextTest(self.source, why)
        why = f"{likely} likely at fault; {prove}"
        return NextTest(self._end(place), why, place, self._at(place))

    def _again(self, place: str) -> NextTest:
        """Ask for a reading again that all else speaks against."""
        why = (
            "what was read here goes against all else on record; read it again, line "
            "to neutral and under load, and check the number of the pole"
        )
        if place == SOURCE:
            return NextTest(self.source, why)
        return NextTest(self._end(place), why, place, self._at(place))

    def _end(self, section: str) -> str:
        """Name the far end of a section."""
        light = self._at(section)
        return self.where(light) if light else f"the far end of section {section}"

    def _test_inferred(self, at_source: float) -> NextTest:
        """Say where to test when the order of lights is read off the map."""
        if not self.judged.circuit_id and (between := self._boundary()):
            return between
        if at_source > 0.2:
            why = "it feeds the whole circuit; the order of lights is not on record"
            return NextTest(self.source, why)
        done = {one.light for one in self.readings if one.age <= OLD_NIGHTS}
        left = [one for one in (*self.reported, *self.dark) if one not in done]
        light = left[0] if left else self.reported[0]
        why = (
            "the feed at this light: if live, it is the light itself; if dead, back "
            "towards the source"
        )
        return NextTest(self.where(light), why, None, light)

    def _boundary(self) -> NextTest | None:
        """Say between which poles the dark begins, by place; None if none is lit."""
        place = metres(self.lights)
        dark = self.lights.index.isin({*self.dark, *self.reported})
        lit = self.lights.index.isin(self.seen_lit) & ~dark
        said = "seen lit" if lit.any() else "not reported"
        lit = lit if lit.any() else ~dark
        if not lit.any():
            return None
        ids, away = self.lights.index, cdist(place[lit], place[dark])
        near, far = np.unravel_index(np.argmin(away), away.shape)
        one, other = ids[lit][near], ids[dark][far]
        told = "reported out" if other in self.reported else "probably dark"
        return NextTest(
            f"between {self.where(one)} ({said}) and {self.where(other)} ({told})",
            f"the feed is probably live up to there. If {other} has voltage, it is the "
            f"light itself; if not, look towards {one}. Find first which feed it is",
            None,
            str(other),
        )

    def test_alone(self, components: tuple[tuple[str, float], ...]) -> NextTest:
        """Say what to look at on a light of its own."""
        light = self.reported[0]
        keeper = self.lights.at[light, "maintained_by"]
        kind, chance = components[0]
        if keeper:
            why = f"tell {keeper}, who maintains it"
        elif self.searched and light not in {one.light for one in self.readings}:
            why = "the feed at this light: if live, it is the light; if dead, the feed"
        elif kind == "unknown":
            why = "what is fitted is not on record"
        else:
            why = f"likeliest part: {kind.replace('_', ' ')} ({per_cent(chance)})"
        return NextTest(self.where(light), why, None, light)

    def why_shared(self) -> list[str]:
        """Say what speaks for a fault that lights share."""
        among = set(self.dark) | set(self.reported)
        whole = among >= set(self.judged.light_ids)
        place = "of the circuit" if whole else "on this stretch of the circuit"
        place = place if self.judged.circuit_id else "that may be on one feed"
        ends = ""
        by_section = self.stretch not in (SOURCE, INFERRED)
        if by_section and self.sections and not self.judged.inferred:
            section = self.sections[0][0]
            place, ends = f"beyond section {section}", self._ends(section)
            among = self._beyond(section)
        told = among & set(self.reported)
        said = [f"{len(told)} of {len(among)} lights {place} reported out"]
        rest = {*self.judged.light_ids, *self.judged.beside} - among
        if rest:
            others = len(rest & set(self.reported)) or "none"
            lit = self._lit_among(rest) or "none seen lit since"
            said.append(f"of the {len(rest)} others {others} reported, {lit}")
        if lit := self._lit_among(among):
            said.append(f"against it: {lit}, among them")
        if ends:
            said.append(ends)
        if not self.judged.circuit_id:
            said.append(NO_CIRCUIT)
        elif self.judged.inferred:
            said.append("order inferred from the map, not from records")
        said += self._joined()
        return said + self.tests_said() + self._against_tests()

    def tests_said(self) -> list[str]:
        """Say what was read where, when and by whom."""
        if not self.readings:
            return []
        return ["tested: " + "; ".join(self._read(one) for one in self.readings)]

    def _against_tests(self) -> list[str]:
        """Say which reading goes against all else, or what against the readings."""
        said = []
        if place := self.proving.contradicted:
            named = self.source if place == SOURCE else self._end(place)
            said.append(f"against it: what was read at {named}")
        if self.proving.between:
            before = set(self.reported) - self._beyond(self.proving.likeliest)
            if before:
                ids = ", ".join(sorted(before))
                said.append(f"against it: {ids} reported out on the live side")
        return said

    def _joined(self) -> list[str]:
        """Say which lights only seem to be on this circuit."""
        blank = self.lights.index[self.lights["circuit_id"] == ""]
        joined = {*self.dark, *self.reported} & set(blank)
        some = sorted(joined) if self.judged.circuit_id else []
        if not some:
            return []
        are = "light has" if len(some) == 1 else "lights have"
        return [
            f"{len(some)} {are} no circuit on record; inferred from place and time to "
            f"be on this one: {', '.join(some)}"
        ]

    def _read(self, one: Reading) -> str:
        where = self.source if one.place == SOURCE else f"section {one.place}"
        if one.light:
            where = self.where(one.light)
        at = self.register.known.clock.at(one.at)
        now = self.register.known.clock.at(self.register.as_of)
        found = {True: "live", False: "dead", None: "could not be opened"}[one.live]
        volts = "" if one.volts is None else f" ({one.volts:g} V)"
        crew = f", {one.crew}" if one.crew else ""
        return f"{where} {found}{volts}, {day_of(at, now)} {at:%H:%M}{crew}"

    def _beyond(self, section: str) -> set[str]:
        feeds = self.register.feeds
        held = self.lights["section_id"]
        return {
            light
            for light, own in zip(held.index, held, strict=True)
            if section in feeds.get(own, ())
        }

    def why_alone(self, symptom: str, unseen: int) -> list[str]:
        """Say what speaks for a light on its own."""
        said = self._why_alone(symptom, unseen)
        return said + self.tests_said() if symptom in DARK else said

    def _why_alone(self, symptom: str, unseen: int) -> list[str]:
        if symptom not in DARK:
            said = [f"{symptom_said(symptom)} points to the light itself"]
            if unseen:
                said.append(f"{unseen} later patrols passed and did not note it")
            return said
        told = self.signs.told_dark(self.lights.index, self.since)
        others = told - set(self.reported)
        number = len(self.lights)
        lit = self._lit_among(set(self.lights.index))
        if not self.judged.circuit_id:
            near = len(others) or "none"
            return [
                NO_CIRCUIT,
                f"of {number - 1} lights within {BESIDE_M:.0f} m {near} also reported"
                + (f"; {lit}" if lit else ""),
            ]
        if not others:
            alone = f"no other of the circuit's {number} lights reported"
            return [f"{alone}; {lit}" if lit else alone]
        return [
            f"{len(others) + 1} of the circuit's {number} lights reported, "
            "but a shared fault would explain that less well"
            + (f"; {lit}" if lit else "")
        ]


def _splits(dead: float) -> str:
    """Say what a test tells that reads dead with this chance."""
    half = "splits what is left about in half" if 0.35 <= dead <= 0.65 else "tells most"
    return f"it {half} ({per_cent(dead)} likely dead)"


def _tests(needed: float) -> str:
    """Say how many tests it takes on average to name the section."""
    if needed >= 1.5:
        return f"; about {needed:.0f} tests in all"
    return "; one test should settle it" if needed > 0 else ""
