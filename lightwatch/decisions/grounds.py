"""What an answer stands on, and what is missing for it.

A figure that stands on nothing is not zero but not known. So each answer says how many
records of which kinds it rests on, until when they run, and what would have to be
loaded for what it cannot say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from lightwatch.kept import keeping
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.closings import closings
from lightwatch.register.on_record import OnRecord, on_record
from lightwatch.register.placed import placing
from lightwatch.register.reach import UNSAID_CAUSES, reach, tells_causes
from lightwatch.register.recorded import recorded
from lightwatch.words import PER_LIGHT

SOME = 0.1
"""A gap in fewer than this share of the records is not worth a line."""


@dataclass(frozen=True)
class Grounds:
    """What an answer stands on.

    Parameters
    ----------
    stands_on
        Records of each kind that it rests on, in one line.
    missing
        What it cannot say and what would mend that, a line each; none where the
        records are whole.
    not_known
        Why it cannot be given at all, and what to load; '' where it can.
    """

    stands_on: str
    missing: tuple[str, ...] = ()
    not_known: str = ""


Lines = Callable[[Register], Iterator[str]]


@dataclass(frozen=True)
class _Answer:
    """Kinds of record that an answer rests on; why it may be unknown, or thin."""

    kinds: tuple[str, ...]
    unknown: Lines
    thin: tuple[Lines, ...] = ()


def month_said(register: Register, instant: int) -> str:
    """Return the local month of an instant as it is said: Jul 2022."""
    return f"{register.known.clock.at(instant):%b %Y}"


def period_said(register: Register, one: OnRecord) -> str:
    """Return from when to when records run, by month; '' of what is not dated."""
    if one.first is None or one.last is None:
        return ""
    first, last = month_said(register, one.first), month_said(register, one.last)
    return first if first == last else f"{first} to {last}"


def counted(register: Register, kind: str) -> str:
    """Return how many records of a kind there are and from when to when."""
    one = on_record(register)[kind]
    if not one:
        return f"no {kind}"
    name = kind if one.count > 1 else kind.removesuffix("s")
    period = period_said(register, one)
    return f"{one.count:,} {name}" + (f" ({period})" if period else "")


def _no_failures(register: Register) -> Iterator[str]:
    found = on_record(register)
    if not found["lights"]:
        yield "no lights are on record; load lights"
    elif not found["repairs"]:
        yield (
            "no repairs are on record, so failures cannot be counted; load repairs "
            "with what had failed"
        )
    elif not tells_causes(register):
        yield (
            "no repair on record says what had failed; load the cause of each repair "
            "(repairs.cause)"
        )


def _nothing_heard(register: Register) -> Iterator[str]:
    found = on_record(register)
    if not (found["reports"] or found["patrols"] or found["sightings"]):
        yield "no reports are on record; load reports"


def _nothing_fitted(register: Register) -> Iterator[str]:
    found, repairs = on_record(register), register.known.repairs
    lack = []
    if not found["models"]:
        lack.append("models")
    if not found["repairs"]:
        lack.append("repairs")
    if lack:
        yield f"no {' and no '.join(lack)} are on record; load {' and '.join(lack)}"
    elif not (repairs["fitted_model"] != "").any():
        yield (
            "no repair on record says which model was fitted; load it "
            "(repairs.fitted_model)"
        )
    elif not _in_the_catalogue(register):
        yield "no model that a repair fitted is in the catalogue; load it (models)"


def _in_the_catalogue(register: Register) -> bool:
    """Tell whether any model that a repair fitted is known."""
    models = set(register.known.models["model"])
    fitted = set(register.known.repairs["fitted_model"])
    return any(part.strip() in models for text in fitted for part in text.split("+"))


def _known(register: Register) -> Iterator[str]:
    yield from ()


def _never_driven(register: Register) -> Iterator[str]:
    if not on_record(register)["roads"]:
        yield "no roads are on record; load roads"
    else:
        yield from _no_failures(register)


def _repairs_end(register: Register) -> Iterator[str]:
    found, end = on_record(register)["repairs"], reach(register).repairs
    if end is None or end >= register.as_of or found.last is None:
        return
    said = (
        f"Repairs end in {month_said(register, end)}: failures and time under watch "
        "count until then"
    )
    later = int((register.known.repairs["happened"] >= end).sum())
    if later:
        said += (
            f"; {later:,} later {'one is' if later == 1 else 'ones are'} not counted, "
            "for the months between have none"
        )
    yield f"{said}. Load the repairs since."


def _causes_unsaid(register: Register) -> Iterator[str]:
    repairs = register.known.repairs
    unsaid = int(repairs["cause"].isin(UNSAID_CAUSES).sum())
    if tells_causes(register) and unsaid > SOME * len(repairs):
        yield (
            f"{unsaid:,} of {len(repairs):,} repairs do not say what had failed: "
            "there were at least these failures. Load repairs.cause."
        )


def _lost_of(register: Register) -> str:
    """Say how many repairs of each kind are on no light; '' where none is."""
    found = [
        f"{'about ' if kind == 'fuse' else ''}{one.lost:,.0f} of "
        f"{one.placed + one.lost:,.0f} of {_parts(kind)}"
        for kind, one in recorded(register).of.items()
        if one.placed
    ]
    return ", ".join(found)


def _parts(kind: str) -> str:
    return kind if kind in PER_LIGHT else f"{kind.replace('_', ' ')}s"


def _lights_unnamed(register: Register) -> Iterator[str]:
    if said := _lost_of(register):
        yield (
            f"Repairs that do not say at which light, and no report tells: {said}. "
            "Rates are raised by that, and their limits are wider. Load "
            "repairs.light_id."
        )
    for kind, one in recorded(register).of.items():
        if not one.placed:
            yield (
                f"No repair of {_parts(kind)} says at which light ({one.lost:,.0f} do "
                f"not): there were at least these failures, and the rate of "
                f"{_parts(kind)} is not known. Load repairs.light_id."
            )


def _recorded_late(register: Register) -> Iterator[str]:
    days = recorded(register).mean_delay_days
    if days:
        yield (
            f"Repairs are recorded {days:.1f} days late in the mean: the last weeks "
            "count in part."
        )


def _ages_unknown(register: Register) -> Iterator[str]:
    if said := _lost_of(register):
        yield (
            f"Repairs that do not say at which light, and no report tells: {said}. "
            "What they fitted counts as used, whatever the age of what came off. Load "
            "repairs.light_id."
        )


def _reports_end(register: Register) -> Iterator[str]:
    end = reach(register).reports
    if end is not None and end < register.as_of - DAY:
        yield (
            f"Reports end in {month_said(register, end)}: what was reported since is "
            "not known. Load the reports since."
        )


def _no_reports(register: Register) -> Iterator[str]:
    if not on_record(register)["reports"]:
        yield "Reports: none on record, so only what patrols saw is open. Load reports."


def _no_repairs(register: Register) -> Iterator[str]:
    if not on_record(register)["repairs"]:
        closed = bool(closings(register)["closed"].notna().any())
        stays = "" if closed else "what was mended stays open, and "
        yield (
            f"Repairs: none on record, so {stays}verdicts rest on assumed rates of "
            "failure. Load repairs."
        )


def _far_reports(register: Register) -> Iterator[str]:
    one = placing(register)
    every = one.named + one.duplicate + one.near + one.far
    if one.far > SOME * every:
        yield (
            f"{one.far:,} of {every:,} reports name no light and lie more than "
            f"{one.within_m:.0f} m from any: they are on none. Load the lights there."
        )


def _unfed(register: Register) -> str:
    """Say how many lights name no circuit; '' where nearly all do."""
    lights = register.in_service
    lost = int((lights["circuit_id"] == "").sum())
    if lost <= SOME * len(lights):
        return ""
    if lost == len(lights):
        return "Circuits: no light names one"
    return f"Circuits: {lost:,} of {len(lights):,} lights name none"


def _feeds_inferred(register: Register) -> Iterator[str]:
    if said := _unfed(register):
        yield (
            f"{said}, so which of them share a feed is inferred from place and time. "
            "Load lights.circuit_id."
        )


def _feeds_uncounted(register: Register) -> Iterator[str]:
    if said := _unfed(register):
        yield (
            f"{said}, so faults of their feeds count on no circuit. Load "
            "lights.circuit_id."
        )


def _no_circuits(register: Register) -> Iterator[str]:
    yield from _no_failures(register)
    if not on_record(register)["circuits"]:
        yield "no circuits are on record; load circuits, and lights.circuit_id"


def _no_batches(register: Register) -> Iterator[str]:
    yield from _no_failures(register)
    if not on_record(register)["models"]:
        yield "no models are on record; load models, and components.model"


def _batches_unseen(register: Register) -> Iterator[str]:
    if not on_record(register)["models"]:
        yield (
            "Models: none on record, so no batch can be told from another. Load models."
        )


def _no_warranties(register: Register) -> Iterator[str]:
    yield from _no_failures(register)
    if register.known.models["warranty_years"].isna().all():
        yield "no warranty of any model is on record; load models.warranty_years"


def _no_watts(register: Register) -> Iterator[str]:
    watts = (register.known.lights["watts"], register.known.models["watts"])
    if all(one.isna().all() for one in watts):
        yield "no watts of any light or model are on record; load lights.watts"


def _never_watched(register: Register) -> Iterator[str]:
    if not on_record(register)["patrols"]:
        yield "Patrols: none on record, so percent lit is not known. Load patrols."


def _not_dated(register: Register) -> Iterator[str]:
    parts = register.known.components
    blank = int((parts["installed_on"] == "").sum())
    if len(parts) == 0 and len(register.known.lights):
        yield "Components: none on record: what hangs where is known from repairs only."
    elif blank > SOME * len(parts):
        yield (
            f"{blank:,} of {len(parts):,} components have no date of installation: "
            "they count in rates, not in lives. Load components.installed_on."
        )


def _not_priced(register: Register) -> Iterator[str]:
    models = register.known.models
    blank = int(models["unit_cost"].isna().sum())
    if blank > SOME * len(models):
        yield (
            f"{blank:,} of {len(models):,} models have no unit cost: what they cost "
            "is not known. Load models.unit_cost."
        )


def _no_shelf(register: Register) -> Iterator[str]:
    if not len(register.known.store.frame("stock", ["model"])):
        yield "Stock: none on record, so nothing can be ordered against it. Load stock."


_COUNTING = (_repairs_end, _causes_unsaid, _lights_unnamed, _recorded_late)
_HEARD = ("reports", "repairs", "patrols")
_OPEN = (
    _reports_end, _no_reports, _far_reports, _no_repairs, _repairs_end,
    _feeds_inferred,
)  # fmt: skip
_STOCK = ("repairs", "models")

_ANSWERS = {
    "rates": _Answer(("lights", "repairs"), _no_failures, _COUNTING),
    "lives": _Answer(("repairs", "reports", "patrols"), _no_failures,
                     (*_COUNTING, _not_dated)),
    "outages": _Answer(_HEARD, _nothing_heard, _OPEN),
    "map": _Answer(_HEARD, _nothing_heard, _OPEN),
    "patrol": _Answer(_HEARD, _never_driven, _COUNTING),
    "stock": _Answer(_STOCK, _nothing_fitted,
                     (_repairs_end, _ages_unknown, _not_priced, _no_shelf)),
    "repeats": _Answer(("repairs", "reports"), _no_failures,
                       (*_COUNTING, _reports_end, _feeds_uncounted, _batches_unseen)),
    "monthly": _Answer(_HEARD, _known,
                       (_no_reports, _reports_end, _no_repairs, _repairs_end,
                        _never_watched)),
    "batches": _Answer(("repairs", "models"), _no_batches, (*_COUNTING, _not_dated)),
    "rebuild": _Answer(("repairs", "circuits", "sections"), _no_circuits,
                       (*_COUNTING, _feeds_uncounted)),
    "reliability": _Answer(("lights", "repairs"), _no_failures,
                           (*_COUNTING, _not_dated)),
    "photocontrols": _Answer(_STOCK, _nothing_fitted,
                             (_repairs_end, _not_priced, _no_shelf)),
    "warranty": _Answer(_STOCK, _no_warranties, _COUNTING),
    "energy": _Answer(("lights",), _no_watts),
    "answers": _Answer(("lights", *_HEARD), _known),
}  # fmt: skip
"""Each command that asks, and each report, by its name."""


@keeping
def grounds(register: Register, answer: str) -> Grounds:
    """Return what an answer stands on as of the register's day.

    Parameters
    ----------
    register
        What stands, as known on a day.
    answer
        Name of the command or the report.
    """
    one = _ANSWERS[answer]
    on = ", ".join(counted(register, kind) for kind in one.kinds)
    reason = next(one.unknown(register), "")
    thin = tuple(line for lines in one.thin for line in lines(register))
    return Grounds(on, thin, reason)
