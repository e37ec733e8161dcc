"""From card to section: the loop of tests at poles, played on seeded cable faults.

A fault is put on a section of an invented town, drawn by length; its dark lights are
reported at the town's own rate. The card says where to test; the truth answers, now
and then wrongly; the card is drawn anew; until it says which section to open. Beside
it: halving the circuit by length, and walking out from the source.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from demo_city import Parameters
from demo_city.parameters import REPORT_PER_NIGHT, SYMPTOMS
from lightwatch.decisions.triage import Outage, Triage
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.crews import Crews
from lightwatch.decisions.triage.heard import Heard
from lightwatch.decisions.triage.judge import judge
from lightwatch.decisions.triage.next_test import SOURCE
from lightwatch.decisions.triage.proving import READS
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.spoken import is_shared
from lightwatch.decisions.triage.triage import of_circuit
from lightwatch.lives import lives
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from tests.recovery.triage_mornings import stored
from tests.recovery.triage_study import tests_to_name

MOST_TESTS = 40
"""A loop that takes as many never ends."""

LEAST_SECTIONS = 8
"""Circuits with fewer are no search."""


@dataclass(frozen=True)
class Fault:
    """A cable fault put on a section: ``told`` are the reports of its dark lights."""

    circuit: int
    section: str
    told: pd.DataFrame


@dataclass(frozen=True)
class Played:
    """What came of one loop.

    ``expected``: tests that the first card said it takes; ``named``: what it said to
    open, None where it told of lights on their own in the end; ``asked``: the places.
    """

    fault: Fault
    expected: float
    named: str | None
    asked: tuple[str, ...]

    @property
    def looped(self) -> bool:
        """Whether a place was asked again and again, or no end was found."""
        often = max((self.asked.count(one) for one in self.asked), default=0)
        return often > READS or len(self.asked) >= MOST_TESTS


@dataclass
class Town:
    """A judged town into which faults are put, one at a time."""

    triage: Triage
    rng: np.random.Generator
    feeds: dict[str, tuple[str, ...]] = field(init=False)

    def __post_init__(self) -> None:
        """Read the rates once: they serve every loop."""
        self.feeds = self.triage.register.feeds
        judge(self.signs, self.triage.known, [str(self.signs.grid.circuits[0])])

    @property
    def signs(self) -> Signs:
        """What was observed in the town itself."""
        return self.triage.signs

    def sections_of(self, circuit: int) -> dict[str, float]:
        """Return the sections of a circuit and their lengths [km]."""
        grid = self.signs.grid
        rows, _ = grid.sections_of.pick(np.array([circuit]))
        km = np.nan_to_num(grid.km[rows], nan=0.02)
        return dict(zip(grid.section_ids[rows], km.tolist(), strict=True))

    def _quiet(self) -> np.ndarray:
        """Return the circuits on record that nothing is open on."""
        grid = self.signs.grid
        known = self.triage.register.known.circuits
        cable = set(known.loc[known["feed"] == "underground", "circuit_id"])
        busy = set(self.triage.troubles["circuit"])
        good = [
            i
            for i, name in enumerate(grid.circuits)
            if name in cable and name not in busy
        ]
        sections = np.bincount(
            grid.section_circuit[grid.section_circuit >= 0],
            minlength=len(grid.circuits),
        )
        return np.array([i for i in good if sections[i] >= LEAST_SECTIONS])

    def faults(self) -> Iterator[Fault]:
        """Put faults on sections, each with two lights or more beyond and told of."""
        grid, now = self.signs.grid, self.triage.register.as_of
        quiet, rate = self._quiet(), REPORT_PER_NIGHT[SYMPTOMS.index("out")]
        while True:
            circuit = int(self.rng.choice(quiet))
            km = self.sections_of(circuit)
            share = np.array(list(km.values())) / sum(km.values())
            section = str(self.rng.choice(list(km), p=share))
            rows, _ = grid.lights_of.pick(np.array([circuit]))
            held = grid.lights["section_id"].to_numpy(object)[rows]
            dark = rows[[section in self.feeds.get(one, ()) for one in held]]
            age = self.rng.uniform(3.0, 20.0)
            which, passed = self.signs.driven.passes(dark, "night")
            since = np.maximum(grid.worked[0], grid.rewired)[dark]
            seen = (passed > now - age * DAY).any() if len(which) else False
            if len(dark) < 2 or seen or (since > now - age * DAY).any():
                continue
            told = age - self.rng.exponential(1 / rate, len(dark))
            if (told > 0).any():
                yield Fault(circuit, section, _reports(grid, dark, told, now))

    def card(self, fault: Fault, read: list[dict[str, float]]) -> Outage | None:
        """Return the card of a fault, as it stands after some readings."""
        grid, crews = self.signs.grid, Crews(self.signs.grid)
        vars(crews).update(vars(self.signs.crews))
        vars(crews).pop("_read_at_feeds", None)
        vars(crews)["readings"] = pd.DataFrame(read, columns=_READ).astype(
            {"light": int, "section": int, "circuit": int, "at": float, "live": float}
        )
        signs = Signs(grid)
        kept = ("driven", "_since", "_rates")
        vars(signs).update({name: getattr(self.signs, name) for name in kept})
        heard = Heard(grid, crews, signs.driven)
        vars(heard)["told"] = fault.told
        vars(signs).update(crews=crews, heard=heard)
        triage = replace(self.triage, signs=signs)
        name = str(grid.circuits[fault.circuit])
        [judged] = judge(signs, triage.known, [name], DARKNESS)
        entries = of_circuit(triage, judged, DARKNESS, triage.troubles)
        found = [one for one in entries if is_shared(one) or one.searched]
        return max(
            found, key=lambda one: (is_shared(one), len(one.lights)), default=None
        )

    def reading(self, fault: Fault, place: str, right: bool) -> dict[str, float]:
        """Return what is read at a place."""
        dead = place != SOURCE and fault.section in self.feeds.get(place, ())
        grid = self.signs.grid
        number = -1 if place == SOURCE else int(grid.section_ids.get_loc(place))
        live = float(dead != right)
        at = float(self.triage.register.as_of - 1)
        values = (-1, number, fault.circuit, at, live, np.nan, "")
        return dict(zip(_READ, values, strict=True))

    def play(self, fault: Fault, wrong: float = 0.0) -> Played | None:
        """Play one loop; None where the first card tells of no shared fault.

        ``wrong``: share of readings that are wrong.
        """
        card, read, asked = self.card(fault, []), [], []
        if card is None:
            return None
        expected = card.checks_needed or 0.0
        while card and not card.to_open and len(asked) < MOST_TESTS:
            place = self.place(card)
            if not is_shared(card) and place in asked:
                break  # live at the light itself: no fault of the feed
            read.append(self.reading(fault, place, self.rng.random() >= wrong))
            asked.append(place)
            card = self.card(fault, read)
        return Played(fault, expected, card and card.to_open, tuple(asked))

    def place(self, card: Outage) -> str:
        """Return the section at whose end the card asks for a test, or the source."""
        test = card.test_first
        assert test, "a fault of the feed has a place to test"
        if test.section_id or not test.light_id:
            return test.section_id or SOURCE
        return str(self.triage.standing.at[test.light_id, "section_id"])

    def halving(self, fault: Fault) -> int:
        """Return the tests that halving the circuit by length takes."""
        km = self.sections_of(fault.circuit)
        return tests_to_name(km, self.feeds, fault.section, 1.0)[0]

    def walking(self, fault: Fault) -> int:
        """Return the tests from the source outwards until one is dead."""
        return len(self.feeds[fault.section])


_READ = ("light", "section", "circuit", "at", "live", "volts", "repair_id")


def _reports(grid, dark, told, now) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    some = told > 0
    return pd.DataFrame(
        {
            "light_id": grid.light_ids[dark[some]],
            "at": (now - told[some] * DAY).astype(np.int64),
            "symptom": "out",
            "danger": "",
            "report_id": [f"F{i}" for i in range(int(some.sum()))],
            "seen": False,
            "original": [f"F{i}" for i in range(int(some.sum()))],
            "closed": np.nan,
            "closed_as": "",
        }
    )


@contextmanager
def town(parameters: Parameters, seed: int) -> Iterator[Town]:
    """Simulate a town and judge it as of its export."""
    with stored(parameters, seed) as (store, _):
        known = Known(store, default_as_of(store))
        triage = Triage.of(lives(Register(known)))
        yield Town(triage, np.random.default_rng([seed, 19]))


def study(opened: Town, count: int, wrong: float = 0.0) -> pd.DataFrame:
    """Play loops; return one row each.

    Returns
    -------
    pandas.DataFrame
        ``expected``, ``tests``, ``right`` section named, ``lost`` (no card any more),
        ``looped``, ``halving``, ``walking``, ``sections``.
    """
    rows = []
    for fault in opened.faults():
        played = opened.play(fault, wrong)
        if played is None:
            continue
        rows.append(
            {
                "expected": played.expected,
                "tests": len(played.asked),
                "right": played.named == fault.section,
                "lost": played.named is None,
                "looped": played.looped,
                "halving": opened.halving(fault),
                "walking": opened.walking(fault),
                "sections": len(opened.sections_of(fault.circuit)),
            }
        )
        if len(rows) == count:
            break
    return pd.DataFrame(rows)
