"""Repairs in: one record a request, kept exactly once."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Request, Response, status

from api.lights import record
from api.present import Present
from lightwatch.errors import UnknownAsset

router = APIRouter(prefix="/api")


def _present(request: Request) -> Present:
    present: Present = request.app.state.present
    return present


Now = Annotated[Present, Depends(_present)]
"""The open store."""


def said_by(values: dict[str, str]) -> str:
    """Return who says so: the crew that the record names."""
    return values.get("crew", "").strip() or "first page"


def kept(present: Present, key: str) -> dict[str, Any]:
    """Return a repair as it is on record.

    Raises
    ------
    UnknownAsset
        There is none under that key.
    """
    row = present.store.find("repairs", [key]).get(key)
    if row is None:
        raise UnknownAsset(f"repair {key!r} is not on record")
    return record(row)


_REFUSED = {
    "content": {"application/problem+json": {"schema": {"type": "object"}}},
}
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"description": "It was there already; nothing changed"},
    404: {"description": "It names what is not on record", **_REFUSED},
    408: {"description": "It did not come whole in time", **_REFUSED},
    413: {"description": "It is longer than any record", **_REFUSED},
    409: {"description": "Another record stands where it would go", **_REFUSED},
    422: {"description": "It breaks a rule", **_REFUSED},
    503: {
        "description": "The database is in trouble: send the same again",
        "headers": {"Retry-After": {"schema": {"type": "integer"}}},
        **_REFUSED,
    },
}


@router.post("/repairs", status_code=status.HTTP_201_CREATED, responses=_ANSWERS)
def add_repair(
    values: Annotated[dict[str, str], Body()], present: Now, response: Response
) -> dict[str, Any]:
    """Keep one repair under the key that its maker gave it.

    201: it is new. 200: it was there already, nothing changed. 404: it names what is
    not on record. 409: another record has that key. 422: it breaks a rule. 503: the
    database is in trouble; it is not known whether the record is kept, and the same
    sent again under its key is kept once.
    """
    logged = present.log(values, said_by(values))
    if logged.already:
        response.status_code = status.HTTP_200_OK
    return {
        "repair_id": logged.key,
        "already": logged.already,
        "record": kept(present, logged.key),
    }


@router.get("/repairs/{repair_id:path}")
def one_repair(repair_id: str, present: Now) -> dict[str, Any]:
    """Return a repair as it is on record."""
    return kept(present, repair_id)
