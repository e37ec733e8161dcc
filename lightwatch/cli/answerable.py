"""The verb that says what can be asked."""

from __future__ import annotations

from lightwatch.cli.asking import AsOf, Db, Json, app, known_at, print_json, register_of


@app.command()
def answers(db: Db = None, as_of: AsOf = None, as_json: Json = False) -> None:
    """Say what can be answered, what would add most, which circuits are in doubt."""
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.coverage import coverage
    from lightwatch.decisions.triage import Triage
    from lightwatch.lives import lives
    from reports.coverage import coverage_document, coverage_text
    from reports.doubts import doubts_document, doubts_text

    lived = lives(register_of(known))
    found, wrong = coverage(lived), Triage.of(lived).misdrawn
    written = known.clock.written(known.as_of)
    asked = (written, found, known.as_of, known.clock)
    if as_json:
        print_json({**coverage_document(*asked), **doubts_document(wrong)})
    else:
        said = (coverage_text(*asked), doubts_text(wrong))
        print("\n\n".join(filter(None, said)))
