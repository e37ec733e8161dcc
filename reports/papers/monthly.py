"""The monthly lighting report."""

from __future__ import annotations

from collections.abc import Callable

from lightwatch.decisions.service import Month, months
from reports.papers.desk import Desk
from reports.papers.paper import Cell, Paper, Table, Words, rounded, rows

METHOD = (
    "Percent lit: lights passed by night patrols and not noted dark, Wilson limits "
    "widened for lights of a road that go dark together. Days to repair: from the "
    "first report or sighting to the repair, of jobs done in the month."
)


def _percent(share: float | None, digits: int = 0) -> float | None:
    return None if share is None else rounded(100 * share, digits)


def _lit(every: list[Month]) -> Table:
    return Table(
        "percent-lit",
        "Percent lit",
        ("Month", "Lit [%]", "from", "to", "Lights passed", "Roads driven", "Dark"),
        rows(
            [
                (
                    one.name,
                    _percent(one.lit.share, 2),
                    _percent(one.lit.low, 2),
                    _percent(one.lit.high, 2),
                    one.lit.passes,
                    one.lit.roads,
                    one.lit.dark,
                )
                for one in every
            ]
        ),
        "95 % limits. Lights on streets not driven say nothing here.",
    )


_VISITS: dict[str, Callable[[Month], int]] = {
    "Visits": lambda one: one.visits,
    "Repairs": lambda one: one.repairs,
    "Visits that found no fault": lambda one: one.not_found,
    "Callbacks: in trouble again within 30 days, another part to blame": (
        lambda one: one.callbacks
    ),
    "Left open: made safe, or to be followed up": lambda one: one.left,
}


def _is_heard(now: Month) -> bool:
    """Tell whether anybody was noting troubles in the month."""
    return now.heard or now.lit.passes > 0


def _open(now: Month) -> str:
    """Say how many jobs were open, as far as that is known."""
    if not _is_heard(now):
        return (
            f"How many jobs were open at the end of {now.name} is not known, because "
            "no reports of that month are on record; load reports."
        )
    waiting = sum(one.waiting_for_others for one in now.backlog)
    mended = "" if now.mended else " No repairs of that month are on record."
    return (
        f"{sum(one.open for one in now.backlog)} jobs were open at the end of "
        f"the month, {sum(one.over_window for one in now.backlog)} of them "
        f"older than their window; {waiting} wait for others.{mended}"
    )


def _work(every: list[Month]) -> Table:
    def line(name: str, values: list[Cell]) -> tuple[Cell, ...]:
        return (name, *values)

    return Table(
        "work",
        "Reports, visits, callbacks",
        ("", *(one.name for one in every)),
        rows(
            [
                line(
                    "Reports received",
                    [one.reports if one.heard else None for one in every],
                ),
                *(
                    line(name, [of(one) if one.mended else None for one in every])
                    for name, of in _VISITS.items()
                ),
            ]
        ),
        "Callbacks of the last month may still come.",
    )


def paper(desk: Desk) -> Paper:
    """Return the report of a month, beside the one before and that of a year ago."""
    asked = [*desk.months(12), *desk.months(1), *desk.months()]
    opened = desk.known.opened
    windows = desk.assumptions.windows
    every = months(desk.register, [one for one in asked if one[2] > opened], windows)
    now = every[-1]
    backlog = now.backlog
    share = now.lit.share
    lit = "no night patrol on record"
    if share is not None and now.lit.low is not None and now.lit.high is not None:
        lit = (
            f"{100 * share:.2f} % of lights passed were lit "
            f"({100 * now.lit.low:.2f} to {100 * now.lit.high:.2f})"
        )
    done = Table(
        "days-to-repair",
        f"Days to repair, jobs done in {now.name}",
        ("Kind of job", "Done", "Median [d]", "90 in 100 by [d]", "Window [d]",
         "Inside it [%]"),
        rows(
            [
                (
                    one.kind,
                    one.jobs if now.mended else None,
                    rounded(one.median),
                    rounded(one.ninetieth),
                    one.window,
                    _percent(one.inside),
                )
                for one in now.done
            ]
        ),
    )  # fmt: skip
    open_ = Table(
        "backlog",
        f"Open at the end of {now.name}",
        ("Kind of job", "Open", "Older than the window", "Oldest [d]",
         "Waiting for others"),
        rows(
            [
                (
                    one.kind,
                    *(
                        (one.open, one.over_window, rounded(one.oldest),
                         one.waiting_for_others)
                        if _is_heard(now)
                        else (None, None, None, None)
                    ),
                )
                for one in backlog
            ]
        ),
        "Waiting for others: their feed or their light; not in our hands.",
    )  # fmt: skip
    return Paper(
        "monthly",
        f"Lighting report, {now.name}",
        desk.place,
        desk.as_of,
        f"{now.reports if now.heard else 'no'} reports, "
        f"{now.visits if now.mended else 'no'} visits and {now.lit.roads} roads driven "
        f"by night in {now.name}; {len(desk.register.standing):,} lights in service",
        METHOD,
        (
            "Jobs that nobody had reported or sighted before the repair are not among "
            "the days to repair.",
            "What was recorded later than the time above is not known here.",
        ),
        (
            Words(
                "In short",
                (
                    f"{lit[:1].upper()}{lit[1:]}.",
                    _open(now),
                ),
            ),
            _lit(every),
            done,
            open_,
            _work(every),
        ),
        assumed=(
            f"Repair windows {desk.assumptions.said('windows')}: "
            f"{windows.one_light:g} days for one light, {windows.feed:g} for a feed.",
        ),
    )
