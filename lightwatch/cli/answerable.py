"""The verb that says what can be asked."""

from __future__ import annotations

from lightwatch.cli.asking import AsOf, Db, Json, app, known_at, print_json, register_of


@app.command()
def answers(db: Db = None, as_of: AsOf = None, as_json: Json = False) -> None:
    """Say what each command can answer from the records, and what would add most."""
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.coverage import coverage
    from lightwatch.lives import lives
    from reports.coverage import coverage_document, coverage_text

    found = coverage(lives(register_of(known)))
    written = known.clock.written(known.as_of)
    asked = (written, found, known.as_of, known.clock)
    if as_json:
        print_json(coverage_document(*asked))
    else:
        print(coverage_text(*asked))
