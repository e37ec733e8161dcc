"""The rates that verdicts rest on: learned from so many records, or assumed."""

from __future__ import annotations

import numpy as np

from lightwatch.decisions.triage.experience import Experience, Named
from lightwatch.decisions.triage.hazards import WHOLE
from lightwatch.decisions.triage.priors import (
    FURTHER,
    NOTED,
    REPORTED_PER_DAY,
    SAME_CALLER,
    Basis,
    Prior,
)
from lightwatch.decisions.triage.signs import SAID_SLIP
from lightwatch.decisions.triage.spoken import NBSP, per_cent, symptom_said
from lightwatch.detection.detection import LIKE
from lightwatch.words import SUPPLY

_NAMED = 6


def _plain(word: str) -> str:
    return word.replace("_", " ")


_Row = tuple[str, str, str, str]
"""What, how much, in which unit, and what that stands on."""

_UNITS = {
    "supply": ("main supply or main fuse of a circuit", "1/year"),
    "group": ("group photocontrol", "1/year"),
    "damage": ("theft and damage on a section", "1/(km year)"),
    "unrecorded": ("a stretch whose section is not on record", "1/(km year)"),
    "mishap": ("a light dark by vandals and the like", "1/year"),
    "customer": ("a light dark by the customer that feeds it", "1/year"),
}


def _part(kind: str, type_: str) -> str:
    if kind == WHOLE:
        return f"a light without parts on record, {_plain(type_) or 'unknown'}"
    return " ".join(filter(None, (_plain(kind), _plain(type_))))


def _row(name: str, value: float) -> tuple[str, str, str]:
    what, unit = _UNITS[name]
    return what, _plainly(value), unit


def _plainly(value: float) -> str:
    """Return a number to two digits, never with a power of ten."""
    return np.format_float_positional(float(value), 2, fractional=False, trim="-")


def _on(experience: Experience, name: Named) -> str:
    """Say what a rate stands on; '' where that is not told."""
    basis = experience.basis.get(name)
    return "" if basis is None else str(basis)


def _heads(experience: Experience) -> dict[str, list[_Row]]:
    """Return the hazards by heading."""
    now = experience.hazards
    feeds = now["kind"].isin(list(SUPPLY))
    own = now[~feeds & (now["light_id"] != "")].groupby(["kind", "type"])["per_year"]
    runs = now[feeds].groupby(["kind", "type"])[["per_year", "km"]].sum()
    values = {
        "supply": experience.supply_per_year,
        "group": experience.group_per_year,
        "damage": experience.damage_per_km_year,
        "unrecorded": experience.usual_per_km_year,
        "mishap": experience.mishaps_per_year,
        "customer": experience.customers_per_year,
    }
    return {
        "A light's own parts, mean of those in place at their age now": [
            (
                _part(*names),
                f"{rate:.4f}",
                "1/year",
                _on(experience, names),
            )
            for names, rate in own.mean().items()
        ],
        "Sections by construction, mean of those in place": [
            (
                f"{_plain(kind)}, {_plain(built)}",
                f"{rate:.5f}",
                "1/(km year)",
                _on(experience, (kind, built)),
            )
            for (kind, built), rate in (runs["per_year"] / runs["km"]).items()
        ],
        "What else keeps lights dark": [
            (*_row(name, value), _on(experience, name))
            for name, value in values.items()
        ],
    }


def _seen(records: float, prior: Prior) -> str:
    """Say what a rate of reports or notes stands on."""
    return str(Basis(round(records), prior))


def _mistold(experience: Experience) -> list[_Row]:
    """Return how often reports are false or misplaced, and repairs do not hold."""
    return [
        *(
            (
                f"false report of {symptom_said(name)}",
                _plainly(rate * 365.25),
                "1/year",
                _on(experience, "false"),
            )
            for name, rate in sorted(experience.false_per_night.items())
        ),
        (
            "share of reports that name another light",
            per_cent(experience.misplaced.share),
            "",
            _on(experience, "misplaced"),
        ),
        (
            "repairs that left the light dark",
            per_cent(experience.slip),
            "",
            _on(experience, "slip"),
        ),
        (
            "a report closed as mended that left the light dark",
            per_cent(SAID_SLIP),
            "",
            "assumed (no source)",
        ),
        (
            f"a further report, of up to {FURTHER}, only repeats the first",
            per_cent(SAME_CALLER),
            "",
            "assumed (no source)",
        ),
    ]


def _told(experience: Experience) -> dict[str, list[_Row]]:
    """Return how trouble is told, and mistold, by heading."""
    found, crowd = experience.detection, experience.crowd
    ratios = sorted(experience.feed_ratio.items(), key=lambda pair: -pair[1])
    symptoms = sorted({*found.per_day, *found.hit})
    told = {name: found.evidence.get(name, LIKE) - LIKE for name in symptoms}
    every = _seen(sum(told.values()), REPORTED_PER_DAY)
    together = _on(experience, "crowd")
    return {
        "Circuits worst against what is expected of their kind, thin ones drawn in": [
            (name, f"{ratio:.2f}", "times", "") for name, ratio in ratios[:_NAMED]
        ],
        "False and misplaced reports, repairs that did not hold": _mistold(experience),
        "How soon people report a light in trouble": [
            *(
                (
                    symptom_said(name),
                    f"{found.per_day[name]:.4f}",
                    "1/day",
                    _seen(told[name], REPORTED_PER_DAY) if found.evidence else "",
                )
                for name in symptoms
                if name in found.per_day
            ),
            ("any other", f"{found.usual_per_day:.4f}", "1/day", every),
            (
                "one dark with others, against alone: before any is reported",
                f"{crowd.first:.2f}",
                "times",
                together,
            ),
            (
                "one dark with others, against alone: after that",
                f"{crowd.later:.2f}",
                "times",
                together,
            ),
        ],
        "Chance that a passing night patrol notes it": [
            *(
                (_plain(name), per_cent(found.hit_chance(name)), "", "")
                for name in symptoms
            ),
            (
                "any other",
                per_cent(found.usual_hit),
                "",
                "" if found.hit else str(Basis(0, NOTED)),
            ),
        ],
    }


def explained(experience: Experience) -> str:
    """Return the rates that verdicts rest on, as plain tables with their units.

    Beside each is what it stands on: so many records, or an assumption and its source.

    Parameters
    ----------
    experience
        Rates read off the records; of a light, circuit or kilometre.
    """
    parts = []
    for title, rows in (_heads(experience) | _told(experience)).items():
        wide, high, far = (
            max((len(row[i]) for row in rows), default=0) for i in range(3)
        )
        lines = [
            f"  {name:{wide}}  {value:>{high}} {unit:{far}}  {basis}".rstrip()
            for name, value, unit, basis in rows
        ]
        parts.append("\n".join([title, *(lines or ["  none on record"])]))
    return "\n\n".join(parts).replace(NBSP, " ")
