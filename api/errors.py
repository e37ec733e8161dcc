"""One table from a person's mistake to its HTTP status, and how it is told.

Bodies are problem details [1]_: what is wrong, where, and what was expected.

References
----------
.. [1] RFC 9457, Problem Details for HTTP APIs.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from api.limited import TooLong, TooSlow
from lightwatch.errors import (
    Conflict,
    LightwatchError,
    NotEnoughEvidence,
    NotUnderstood,
    Unavailable,
    UnknownAsset,
)
from lightwatch.observations.rules import Problem
from lightwatch.words import resources

STATUS: dict[type[Exception], HTTPStatus] = {
    LightwatchError: HTTPStatus.BAD_REQUEST,
    NotUnderstood: HTTPStatus.UNPROCESSABLE_ENTITY,
    UnknownAsset: HTTPStatus.NOT_FOUND,
    Conflict: HTTPStatus.CONFLICT,
    NotEnoughEvidence: HTTPStatus.UNPROCESSABLE_ENTITY,
    Unavailable: HTTPStatus.SERVICE_UNAVAILABLE,
}
"""Error to status; an error's nearest ancestor in the table decides."""

TITLES = {
    NotUnderstood: "The record breaks a rule",
    UnknownAsset: "Not on record",
    Conflict: "It contradicts what is on record",
    NotEnoughEvidence: "Too little was seen to say",
    Unavailable: "The office cannot reach its records just now",
    LightwatchError: "Refused",
}

RETRY_AFTER_S = 5
"""When to ask again while the database is in trouble [s] (RFC 9110, 10.2.3)."""

AGAIN = "sent again under the same key, a record is kept once"


class NotFromHere(LightwatchError):
    """A form that another site sent in a person's name."""


STATUS[NotFromHere] = HTTPStatus.FORBIDDEN
STATUS[TooLong] = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
STATUS[TooSlow] = HTTPStatus.REQUEST_TIMEOUT


def status_of(error: Exception) -> HTTPStatus:
    """Return the status of an error by its nearest ancestor in the table."""
    return next(STATUS[one] for one in type(error).__mro__ if one in STATUS)


def title_of(error: Exception) -> str:
    """Return the heading under which an error is told."""
    return next(TITLES[one] for one in type(error).__mro__ if one in TITLES)


def headers_of(error: Exception) -> dict[str, str]:
    """Return what an error's answer says beside its body."""
    match error:
        case Unavailable():
            return {"Retry-After": str(RETRY_AFTER_S)}
        case TooLong() | TooSlow():  # the rest of it is not waited for
            return {"Connection": "close"}
        case _:
            return {}


def expected(column: str) -> str:
    """Say what a column of repairs takes."""
    field = {one.name: one for one in resources()["repairs"].fields}.get(column)
    if field is None:
        return f"any of {', '.join(resources()['repairs'].columns)}"
    if field.allowed:
        return f"one of {', '.join(sorted(field.allowed))}"
    match field.type:
        case "datetime":
            return "a time not in the future, such as 2025-11-25T14:30"
        case "date":
            return "a date, such as 2025-11-25"
        case "number":
            return "a number" if field.minimum is None else "a number, 0 or more"
        case _:
            if column == "supersedes":
                return "a repair on record that nothing has corrected yet"
            named = column.endswith("_id") and column != "repair_id"
            known = named or column == "fitted_model"
            return "one that is on record" if known else "text"


def problem(error: Exception) -> dict[str, Any]:
    """Return an error as problem details."""
    status = status_of(error)
    found: tuple[Problem, ...] = getattr(error, "problems", ())
    document: dict[str, Any] = {
        "type": "about:blank",
        "title": title_of(error),
        "status": int(status),
        "detail": f"{error}; {AGAIN}" if isinstance(error, Unavailable) else str(error),
        "errors": [
            {
                "where": one.column,
                "what": one.reason,
                "value": one.value,
                "expected": expected(one.column),
            }
            for one in found
        ],
    }
    if key := getattr(error, "key", None):
        document["on_record"] = key
    return document
