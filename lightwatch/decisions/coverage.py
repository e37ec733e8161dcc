"""What each command can answer from the store as it is, and which record adds most.

How well: *good* where nothing that it needs is missing, *thin* where something is, *not
at all* where the answer is not known. What adds most: each kind of record by the share
of it that is missing, times the number of answers that rest on it.
"""

from __future__ import annotations

from dataclasses import dataclass

from lightwatch.decisions.grounds import grounds
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.register import Register
from lightwatch.register.closings import closings
from lightwatch.register.fittings import worked_on
from lightwatch.register.on_record import DATED, UNDATED, on_record
from lightwatch.register.placed import placed
from lightwatch.register.reach import UNSAID_CAUSES, reach
from lightwatch.words import SUPPLY

GOOD, THIN, NOT_AT_ALL = "good", "thin", "not at all"

LEAST_FAILURES = 20
"""With fewer, limits say more than rates do."""

WHOLE = 0.9
"""What is filled in for this share of the rows is not thin."""

MOST_WANTED = 6


@dataclass(frozen=True)
class Filled:
    """In how many rows of a file something is filled in.

    ``share`` is None where there is no row at all.
    """

    file: str
    what: str
    have: int
    of: int

    @property
    def share(self) -> float | None:
        """Of 1."""
        return self.have / self.of if self.of else None


@dataclass(frozen=True)
class Answer:
    """How well a command can answer: ``good``, ``thin`` or ``not at all``, and why."""

    command: str
    how_well: str
    judged_by: str


@dataclass(frozen=True)
class Wanted:
    """A record that is missing; ``missing`` of 1, and the answers that rest on it."""

    record: str
    missing: float
    answers: tuple[str, ...]

    @property
    def weight(self) -> float:
        """Share missing times answers."""
        return self.missing * len(self.answers)


@dataclass(frozen=True)
class Kept:
    """Records of one kind: how many, first and last, and how far they reach.

    Instants; None where there is none, and of what is not dated. ``until`` equals the
    register's day where records run on.
    """

    kind: str
    count: int
    first: int | None
    last: int | None
    until: int | None


@dataclass(frozen=True)
class Coverage:
    """What the store holds, what it can answer and what would add most."""

    kept: tuple[Kept, ...]
    filled: tuple[Filled, ...]
    answers: tuple[Answer, ...]
    wanted: tuple[Wanted, ...]


def _kept(register: Register) -> tuple[Kept, ...]:
    found, far = on_record(register), reach(register)
    return tuple(
        Kept(name, found[name].count, found[name].first, found[name].last,
             getattr(far, name, None))
        for name in (*UNDATED, *DATED)
    )  # fmt: skip


def filled_in(register: Register) -> tuple[Filled, ...]:
    """Return in how many rows what matters most is filled in."""
    known, lights = register.known, register.in_service
    dated = known.components.loc[known.components["installed_on"] != "", "light_id"]
    put, fed = placed(register)["how"], register.circuits["feed"]
    replaced = known.repairs[known.repairs["action"].isin(("replaced", "converted"))]
    said = {
        "reports": (
            known.reports,
            {
                "name a light": known.reports["light_id"] != "",
                "are put on one": put != "far",
                "are closed": closings(register)["closed"].notna(),
            },
        ),
        "repairs": (
            known.repairs,
            {
                "name a report": known.repairs["report_id"] != "",
                "name a light": known.repairs["light_id"] != "",
                "name the part": worked_on(known.repairs) != "",
                "say what had failed": ~known.repairs["cause"].isin(UNSAID_CAUSES),
            },
        ),
        "replacements": (
            replaced,
            {"name the model fitted": replaced["fitted_model"] != ""},
        ),
        "lights": (
            lights,
            {
                "name a circuit": lights["circuit_id"] != "",
                "name a section": lights["section_id"] != "",
                "name a road": lights["road_id"] != "",
                "have a technology": ~lights["technology"].isin(("", "unknown")),
                "have watts": lights["watts"].notna(),
                "have a dated part": lights["light_id"].isin(set(dated)),
            },
        ),
        "circuits": (
            fed,
            {
                **{f"are {one}": fed == one for one in sorted(set(fed) - {""})},
                "say how they are fed": fed != "",
            },
        ),
        "models": (
            known.models,
            {"have a unit cost": known.models["unit_cost"].notna()},
        ),
    }  # fmt: skip
    return tuple(
        Filled(file, what, int(yes.sum()), len(frame))
        for file, (frame, columns) in said.items()
        for what, yes in columns.items()
    )


def _judged_by(lives: Lives, shares: dict[tuple[str, str], Filled]) -> dict[str, str]:
    """Return the figures by which each command is judged."""
    register, frame = lives.register, lives.frame
    found = on_record(register)
    feeds = frame["kind"].isin(list(SUPPLY))
    failures, faults = (
        int(frame["failed"][~feeds].sum()),
        int(frame["failed"][feeds].sum()),
    )
    years = float(((frame["end"] - frame["start"]) / YEAR)[~feeds].sum())
    dated = int((frame["failed"] & frame["installed"].notna()).sum())

    def share(file: str, what: str) -> str:
        one = shares[file, what]
        return f"{one.have:,} of {one.of:,} {file} {what}"

    counted = f"{failures:,} failures of parts and {faults:,} of feeds"
    return {
        "rates": f"{counted} in {years:,.0f} unit-years",
        "lives": f"{dated:,} failures of parts whose date is known",
        "outages": share("reports", "are put on one").replace("one", "a light") + "; "
        + share("lights", "name a circuit"),
        "patrol": f"{found['roads'].count:,} roads; " + share("lights", "name a road"),
        "stock": share("replacements", "name the model fitted"),
        "repeats": f"{counted}; " + share("repairs", "name a light"),
        "monthly": f"{found['reports'].count:,} reports, {found['repairs'].count:,} "
        f"repairs, {found['patrols'].count:,} patrols",
        "energy": share("lights", "have watts"),
    }  # fmt: skip


_COMMANDS = {
    "rates": "rates", "lives": "lives", "outages": "outages, map", "patrol": "patrol",
    "stock": "stock", "repeats": "repeats", "monthly": "report monthly",
    "energy": "report energy",
}  # fmt: skip

_NEEDS: dict[str, tuple[tuple[str, str], float]] = {
    "repeats": (("repairs", "name a light"), WHOLE),
    "patrol": (("lights", "name a road"), WHOLE),
    "energy": (("lights", "have watts"), WHOLE),
    "outages": (("reports", "are put on one"), WHOLE),
}


def _answers(lives: Lives, every: tuple[Filled, ...]) -> tuple[Answer, ...]:
    shares = {(one.file, one.what): one for one in every}
    judged = _judged_by(lives, shares)
    few = int(lives.frame["failed"].sum()) < LEAST_FAILURES
    found = []
    for name, command in _COMMANDS.items():
        on = grounds(lives.register, name)
        need, least = _NEEDS.get(name, (None, 0.0))
        lacking = need is not None and (shares[need].share or 0.0) < least
        thin = bool(on.missing) or lacking
        thin |= few and name in ("rates", "lives", "repeats")
        how = NOT_AT_ALL if on.not_known else THIN if thin else GOOD
        found.append(Answer(command, how, on.not_known or judged[name]))
    return tuple(found)


_WANTS: tuple[tuple[str, str, tuple[str, str] | str], ...] = (
    ("what had failed at each repair (repairs.cause)",
     "rates lives stock repeats outages patrol",
     ("repairs", "say what had failed")),
    ("reports", "outages map patrol monthly repeats", "reports"),
    ("the light of each repair (repairs.light_id)",
     "rates lives stock repeats", ("repairs", "name a light")),
    ("the circuit of each light (lights.circuit_id)",
     "outages map repeats rebuild", ("lights", "name a circuit")),
    ("when parts were fitted (components.installed_on)",
     "lives stock batches warranty", ("lights", "have a dated part")),
    ("which model was fitted (repairs.fitted_model)",
     "stock batches warranty", ("replacements", "name the model fitted")),
    ("lights where reports lie far from any (lights)",
     "outages map patrol monthly", ("reports", "are put on one")),
    ("the section of each light (lights.section_id)",
     "outages map rebuild", ("lights", "name a section")),
    ("the road of each light (lights.road_id)",
     "patrol monthly", ("lights", "name a road")),
    ("night patrols", "monthly lives", "patrols"),
    ("roads", "patrol map", "roads"),
    ("what technology each light is (lights.technology)",
     "rates energy", ("lights", "have a technology")),
    ("how each circuit is fed (circuits.feed)",
     "outages map", ("circuits", "say how they are fed")),
    ("the catalogue of models", "stock batches warranty", "models"),
    ("what a model costs (models.unit_cost)",
     "stock", ("models", "have a unit cost")),
    ("watts of each light (lights.watts)", "energy", ("lights", "have watts")),
    ("weather", "lives", "weather"),
)  # fmt: skip
"""Records, the answers that rest on them, and what tells their share."""


def _wanted(register: Register, every: tuple[Filled, ...]) -> tuple[Wanted, ...]:
    shares = {(one.file, one.what): one.share or 0.0 for one in every}
    found = on_record(register)
    wanted = []
    for record, answers, at in _WANTS:
        if isinstance(at, str):
            have = float(bool(found[at]))
        else:
            have = 1.0 if at[0] == "reports" and not found["reports"] else shares[at]
        wanted.append(Wanted(record, 1 - have, tuple(answers.split())))
    wanted = [one for one in wanted if one.missing > 1 - WHOLE]
    return tuple(sorted(wanted, key=lambda one: -one.weight)[:MOST_WANTED])


def coverage(lives: Lives) -> Coverage:
    """Return what the store holds, what it can answer and what would add most."""
    register = lives.register
    every = filled_in(register)
    return Coverage(
        _kept(register), every, _answers(lives, every), _wanted(register, every)
    )
