"""What a dispatcher says of an outage, in the same words on paper, map and phone."""

from __future__ import annotations

from datetime import datetime

from lightwatch.decisions.triage.outage import SHARED, VERDICTS, Outage
from lightwatch.words import DARK

NBSP = "\N{NO-BREAK SPACE}"

_SYMPTOMS = {
    "dayburning": "burning by day",
    "cycling": "cycling on and off",
    "group_out": "out, with others",
}

_BANDS = ((0.9, "almost certainly"), (0.7, "probably"), (0.4, "could be"))
CABINET = "cabinet: group control or supply"
"""What the two are called where they are told as one."""

_FED = {True: "underground ", False: "overhead ", None: ""}


def per_cent(share: float) -> str:
    r"""Return a probability in whole per cent, never as certain either way.

    Examples
    --------
    >>> per_cent(0.998), per_cent(0.001)
    ('over 99\xa0%', 'under 1\xa0%')
    """
    if share > 0.99:
        return f"over 99{NBSP}%"
    return f"under 1{NBSP}%" if share < 0.01 else f"{share * 100:.0f}{NBSP}%"


def sentence(text: str) -> str:
    """Return a text with a capital."""
    return text[:1].upper() + text[1:]


def symptom_said(symptom: str) -> str:
    """Return a symptom of the exchange format as a person would say it."""
    return _SYMPTOMS.get(symptom, symptom.replace("_", " "))


def how_likely(share: float) -> str:
    """Return a probability in words: 'almost certainly' from .9, then .7, then .4.

    >>> how_likely(0.7)
    'probably'
    """
    unclear = "unclear; the likeliest is"
    return next((word for least, word in _BANDS if share >= least), unclear)


def verdict_named(outage: Outage) -> str:
    """Return what a dispatcher calls the verdict, without its probability."""
    return VERDICTS[outage.verdict] if outage.at_cabinet is None else CABINET


def _verdict(outage: Outage) -> str:
    if outage.at_cabinet is not None:
        return f"the {CABINET}"
    if outage.verdict == "supply_fault":
        return f"one fault on the {_FED[outage.underground]}feed"
    if outage.verdict == "no_fault":
        return "an area outage that is over" if outage.over else "nothing there"
    article = {"group_photocontrol": "the ", "area_outage": "an "}
    return article.get(outage.verdict, "") + VERDICTS[outage.verdict]


def verdict_said(outage: Outage) -> str:
    """Return the verdict with its probability, in words and per cent."""
    chance = outage.probability if outage.at_cabinet is None else outage.at_cabinet
    return sentence(f"{how_likely(chance)} {_verdict(outage)} ({per_cent(chance)})")


def others_said(outage: Outage) -> list[str]:
    """Return what else it could be, with its probability, likeliest first."""
    shares = {name: (VERDICTS[name], p) for name, p in outage.probabilities.items()}
    if outage.at_cabinet is None:
        del shares[outage.verdict]
    else:
        elsewhere = outage.probabilities["supply_fault"] - (outage.supply or 0.0)
        shares = {name: one for name, one in shares.items() if name not in SHARED}
        shares["supply_fault"] = "fault elsewhere on the feed", elsewhere
    ordered = sorted(shares.values(), key=lambda one: -one[1])
    return [f"{name} {per_cent(share)}" for name, share in ordered if share >= 0.01]


def is_shared(outage: Outage) -> bool:
    """Tell whether the verdict is a fault that lights of one circuit share."""
    return outage.shown in SHARED


def not_heard_from(outage: Outage) -> tuple[str, ...]:
    """Return the lights that are probably dark too, neither reported nor seen lit."""
    heard = {*outage.reported, *outage.seen_lit}
    return tuple(light for light in outage.lights if light not in heard)


def day_of(moment: datetime, now: datetime) -> str:
    """Return a day, with its year where that is not this one.

    >>> day_of(datetime(2025, 11, 9), datetime(2025, 11, 25))
    '9 Nov'
    """
    year = "" if moment.year == now.year else f" {moment.year}"
    return f"{moment.day} {moment:%b}{year}"


def source_is_likeliest(outage: Outage) -> bool:
    """Tell whether the likeliest place of a shared fault is the source itself.

    Its main supply, main fuse or group photocontrol; where that was not judged, what is
    left of the probability of a shared fault when the sections have theirs.
    """
    if outage.verdict == "group_photocontrol" or not outage.sections:
        return True
    at_source = outage.at_source
    if at_source is None:
        shared = sum(outage.probabilities.get(one, 0.0) for one in SHARED)
        at_source = shared - sum(share for _, share in outage.sections)
    return at_source > outage.sections[0][1]


def would_change(outage: Outage) -> str:
    """Say what would change the verdict."""
    if outage.at_cabinet is not None:
        return "a light of the circuit seen lit by night, or voltage behind the control"
    if outage.verdict == "area_outage":
        return "word from whoever supplies the area, or lights inside it seen lit"
    if outage.verdict == "no_fault" and outage.over:
        return "a new report from the area, or a patrol that notes a light there dark"
    if outage.verdict == "no_fault":
        return "a second report, or a patrol that notes it"
    if outage.verdict == "single_light":
        if outage.symptom not in DARK:
            return "others of its circuit doing the same: then what they share"
        on = " on the circuit" if outage.circuit_id else ""
        return f"another light beside it{on} dark, or no voltage at this one"
    if outage.verdict == "group_photocontrol":
        return (
            "a light of the circuit lit while the others are dark, or no voltage ahead "
            "of the control"
        )
    silent = len(not_heard_from(outage))
    past = f" (a drive past the {silent} not heard from tells)" if silent > 1 else ""
    if outage.inferred or not outage.sections:
        return f"lights between the dark ones seen lit by night{past}"
    name = outage.sections[0][0]
    if source_is_likeliest(outage):
        return f"a light of the circuit seen lit by night{past}, or a live source"
    lit = f"a light beyond {name} seen lit by night{past}"
    if outage.live_readings > 2:
        return lit
    again = "" if outage.live_readings == 1 else ", read twice"
    return f"{lit}, or a live far end of {name}{again}"


def next_said(outage: Outage) -> str:
    """Say what to open or to test next; '' where nothing is to be tested."""
    test = outage.test_first
    if test is None:
        return ""
    if outage.to_open is None:
        return f"Check first: {test.where}; {test.why}."
    place = f"section {outage.to_open}" if test.section_id else test.where
    return f"Open {place}: {test.why}."
