"""What the records can answer, and which record would add most."""

from __future__ import annotations

from lightwatch.decisions.coverage import coverage
from reports.coverage import share_said, until_said
from reports.papers.desk import Desk
from reports.papers.paper import Paper, Table, rounded, rows


def paper(desk: Desk) -> Paper:
    """Return what each command can answer from the store as it is."""
    found, clock = coverage(desk.lives), desk.known.clock

    def day(instant: int | None) -> str:
        return "" if instant is None else f"{clock.at(instant):%Y-%m-%d}"

    return Paper(
        "answers",
        "What the records can answer",
        desk.place,
        desk.as_of,
        f"{sum(one.count for one in found.kept):,} records",
        "Good: nothing that it needs is missing; thin: something is; not at all: the "
        "answer is not known. What adds most: the share missing, times the answers "
        "that rest on it.",
        (),
        (
            Table(
                "answers",
                "What can be answered, and how well",
                ("Answer", "How well", "Judged by"),
                rows(
                    [
                        (one.command, one.how_well, one.judged_by)
                        for one in found.answers
                    ]
                ),
            ),
            Table(
                "wanted",
                "What would add most",
                ("Record", "Missing [%]", "For"),
                rows(
                    [
                        (
                            one.record,
                            rounded(100 * one.missing),
                            ", ".join(one.answers),
                        )
                        for one in found.wanted
                    ]
                ),
            ),
            Table(
                "records",
                "Records",
                ("Kind", "Count", "First", "Last", "Complete to"),
                rows(
                    [
                        (
                            one.kind,
                            one.count,
                            day(one.first),
                            day(one.last),
                            until_said(one, desk.known.as_of, clock),
                        )
                        for one in found.kept
                    ]
                ),
            ),
            Table(
                "filled-in",
                "What is filled in",
                ("File", "What", "Rows that do", "Of", "Share"),
                rows(
                    [
                        (one.file, one.what, one.have, one.of, share_said(one))
                        for one in found.filled
                    ]
                ),
            ),
        ),
    )
