"""What hangs where, and what takes it off before it fails.

The components of each light when the register was opened, and the programmes, knocks
and wrong guesses that end their lives early.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_city.catalogue import Catalogue
from demo_city.days import YEAR_DAYS, Calendar, Flags, Floats, Ints
from demo_city.feeds import CIRCUIT, LANDLORD, LIGHT, Feeds
from demo_city.geography import OLD_TOWN, SOUTHMEAD, WATERSIDE
from demo_city.parameters import Parameters

TECHNOLOGIES = ("hps", "mh", "led")
HPS, MH, LED = range(3)
HID_KINDS = ("lamp", "ballast", "ignitor")
LED_KINDS = ("driver", "led_module")
WATTS = ((118.0, 172.0), (172.0, 172.0), (60.0, 90.0))
NEVER = np.inf


@dataclass(frozen=True)
class Cuts:
    """Times at which a light's component comes off without having failed.

    Parameters
    ----------
    light, off, on, model
        Light, when the old part stopped, when the new one was fitted [days], and
        the model fitted.
    """

    light: Ints
    off: Floats
    on: Floats
    model: Ints

    @classmethod
    def joined(cls, parts: list[Cuts]) -> Cuts:
        """Return all cuts of several lists as one."""
        return cls(
            np.concatenate([part.light for part in parts] or [np.zeros(0, int)]),
            np.concatenate([part.off for part in parts] or [np.zeros(0)]),
            np.concatenate([part.on for part in parts] or [np.zeros(0)]),
            np.concatenate([part.model for part in parts] or [np.zeros(0, int)]),
        )


@dataclass(frozen=True)
class Stints:
    """Spans in which a holder carries a kind of component, ended by no failure.

    Parameters
    ----------
    level, holder
        What carries it.
    start, stop, birth
        The span and when its first component was fitted [days].
    model
        First model, as a place in the catalogue; -1 for wiring and sections.
    """

    level: int
    holder: Ints
    start: Floats
    stop: Floats
    birth: Floats
    model: Ints


@dataclass(frozen=True)
class Fleet:
    """The lights' equipment at opening and the programmes that will change it.

    Parameters
    ----------
    technology, watts
        At opening (or entry into service).
    start, stop
        In service from and to [days]; stop is infinite while it stands.
    ours, own_control
        Whether we repair it, whether it has a photocontrol of its own.
    birth, model
        Per kind, one per light; model -1: does not have one.
    converted_at, driver, module
        When it turns LED (never: infinite) [days], and into which models.
    relit_at
        When the photocontrol programme reaches it [days].
    group_birth, group_model
        Of group photocontrols, one per circuit; model -1: none.
    """

    technology: Ints
    watts: Floats
    start: Floats
    stop: Floats
    ours: Flags
    own_control: Flags
    birth: dict[str, Floats]
    model: dict[str, Ints]
    converted_at: Floats
    driver: Ints
    module: Ints
    relit_at: Floats
    group_birth: Floats
    group_model: Ints

    def window(self, kind: str) -> tuple[Floats, Floats, Floats, Ints]:
        """Return start, stop, birth and model of a kind in every light; empty: none."""
        start, stop = self.start.copy(), self.stop.copy()
        birth, model = self.birth[kind].copy(), self.model[kind].copy()
        if kind in HID_KINDS:
            stop = np.minimum(stop, self.converted_at)
        if kind in LED_KINDS:
            later = (self.technology != LED) & np.isfinite(self.converted_at)
            start = np.where(later, self.converted_at, start)
            birth = np.where(later, self.converted_at, birth)
            fitted = self.driver if kind == "driver" else self.module
            model = np.where(later, fitted, model)
        without = ((model < 0) & (kind != "wiring")) | ~self.ours
        return start, np.where(without, start, stop), birth, model

    def stints(self, kind: str, cuts: Cuts) -> Stints:
        """Return the spans of a kind between its cuts, for all lights that are ours."""
        start, stop, birth, model = self.window(kind)
        within = (cuts.off > start[cuts.light]) & (cuts.off < stop[cuts.light])
        lights = np.flatnonzero(stop > start)
        holder = np.concatenate([lights, cuts.light[within]])
        begins = np.concatenate([start[lights], cuts.on[within]])
        born = np.concatenate([birth[lights], cuts.on[within]])
        first = np.concatenate([model[lights], cuts.model[within]])
        ends = np.concatenate([stop[lights], cuts.off[within]])
        by_start = np.lexsort((begins, holder))
        by_end = np.lexsort((ends, holder))
        holder, begins, ends = holder[by_start], begins[by_start], ends[by_end]
        keep = ends > begins
        return Stints(
            LIGHT,
            holder[keep],
            begins[keep],
            ends[keep],
            born[by_start][keep],
            first[by_start][keep],
        )

    def group_stints(self) -> Stints:
        """Return the spans of the group photocontrols, one per circuit that has one."""
        circuit = np.flatnonzero(self.group_model >= 0)
        return Stints(
            CIRCUIT,
            circuit,
            np.zeros(circuit.size),
            np.full(circuit.size, NEVER),
            self.group_birth[circuit],
            self.group_model[circuit],
        )


def _service(
    parameters: Parameters, end: float, size: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw when lights enter service and when a few of them are taken away."""
    new = rng.random(size) < parameters.new_share
    start = np.where(new, np.floor(rng.uniform(0.05, 0.9, size) * end), 0.0)
    gone = (rng.random(size) < parameters.removed_share) & ~new
    stop = np.where(gone, np.floor(rng.uniform(0.2, 0.97, size) * end), NEVER)
    return start, stop


def _conversion(
    parameters: Parameters,
    feeds: Feeds,
    eligible: Flags,
    calendar: Calendar,
    rng: np.random.Generator,
) -> Floats:
    """Draw the LED programme: circuit after circuit, district by district."""
    circuits = feeds.district.size
    rank = np.argsort(np.argsort(feeds.district * 10.0 + rng.random(circuits)))
    joins = rng.random(circuits) < parameters.converted_share
    begin, finish = 0.3 * calendar.end, 0.84 * calendar.end
    due = begin + (finish - begin) * rank / circuits
    at = due[feeds.circuit] + rng.uniform(0, 12, eligible.size)
    at = calendar.working(at, rng)
    return np.where(eligible & joins[feeds.circuit], at, NEVER)


def _relighting(
    feeds: Feeds, eligible: Flags, calendar: Calendar, rng: np.random.Generator
) -> Floats:
    """Draw the photocontrol programme of two districts, circuit after circuit."""
    district = feeds.district[feeds.circuit]
    due = calendar.end * (0.3 + 0.2 * feeds.circuit / feeds.district.size)
    at = calendar.working(due + rng.uniform(0, 9, eligible.size), rng)
    return np.where(eligible & np.isin(district, (OLD_TOWN, WATERSIDE)), at, NEVER)


def _ages(
    catalogue: Catalogue, model: Ints, most_years: float, rng: np.random.Generator
) -> Floats:
    """Draw ages at opening [days]: even, up to nine tenths of the model's scale."""
    scale = np.where(model >= 0, catalogue.scale_days[model], np.inf)
    oldest = np.minimum(0.9 * scale, most_years * YEAR_DAYS)
    return oldest * rng.random(model.size)


def _components(
    technology: Ints,
    own: Flags,
    start: Floats,
    catalogue: Catalogue,
    rng: np.random.Generator,
) -> tuple[dict[str, Floats], dict[str, Ints]]:
    """Fit every light with the parts of its technology; return births and models."""
    size = technology.size
    birth: dict[str, Floats] = {}
    model: dict[str, Ints] = {}
    for kind in (*HID_KINDS, *LED_KINDS):
        model[kind] = np.full(size, -1)
        for tech, name in enumerate(TECHNOLOGIES):
            at = np.flatnonzero(technology == tech)
            if (kind in LED_KINDS) == (tech == LED):
                model[kind][at] = catalogue.choose(kind, name, at.size, rng)
    model["fuse"] = catalogue.choose("fuse", "any", size, rng)
    shop_years = np.where(start > 0, start / YEAR_DAYS, -2.0)
    fitted = catalogue.photocontrols(shop_years, rng)
    model["photocontrol"] = np.where(own, fitted, -1)
    model["wiring"] = np.full(size, -1)
    for kind, models in model.items():
        most_years = 5.0 if kind in LED_KINDS else 18.0
        age = _ages(catalogue, models, most_years, rng)
        birth[kind] = np.where(start > 0, start, -age)
    return birth, model


def fit_out(
    parameters: Parameters,
    feeds: Feeds,
    catalogue: Catalogue,
    calendar: Calendar,
    rng: np.random.Generator,
) -> Fleet:
    """Equip the lights of the city and plan what will be changed."""
    size = feeds.circuit.size
    start, stop = _service(parameters, calendar.end, size, rng)
    share = np.array([parameters.led_share, parameters.mh_share])
    draw = rng.random(size)
    modern = feeds.district[feeds.circuit] == SOUTHMEAD
    led = (draw < share[0] * np.where(modern, 2.2, 0.75)) | (start > 0)
    technology = np.where(led, LED, np.where(draw > 1 - share[1], MH, HPS))
    ours = feeds.owner[feeds.circuit] != LANDLORD
    own = ~feeds.group[feeds.circuit]
    birth, model = _components(technology, own, start, catalogue, rng)
    strong = rng.integers(0, 2, size)
    eligible = ours & ~led & ~np.isfinite(stop)
    standing = ours & own & ~np.isfinite(stop) & (start == 0)
    electronic = catalogue.choose("photocontrol", "electronic", feeds.group.size, rng)
    group = np.where(feeds.group, electronic, -1)
    return Fleet(
        technology,
        np.array(WATTS)[technology, strong],
        start,
        stop,
        ours,
        own,
        birth,
        model,
        _conversion(parameters, feeds, eligible, calendar, rng),
        catalogue.of("driver", "led")[strong],
        catalogue.of("led_module", "led")[strong],
        _relighting(feeds, standing, calendar, rng),
        -_ages(catalogue, group, 12.0, rng),
        group,
    )
