"""Questions out: lights, the device's extract, rates, outages, the map."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Response, status
from fastapi.responses import HTMLResponse

from api import lights as finding
from api.extract import extract, troubles
from api.repairs import Now
from lightwatch.decisions.coverage import coverage
from lightwatch.decisions.grounds import grounds
from lightwatch.decisions.triage import METHOD
from lightwatch.errors import NotUnderstood
from lightwatch.mapview import outage_map
from lightwatch.rates import rates as estimate
from reports.answers import rates_document
from reports.coverage import coverage_document
from reports.grounds import document_on, grounds_document, method_on
from reports.outages import outages_document

router = APIRouter()

EXTRACT_AGE_S = 30.0
"""How far a device's extract may lag behind the record [s]."""

Limit = Annotated[int, Query(ge=1, le=finding.MOST)]


@router.get("/api/lights")
def find_lights(
    present: Now,
    near: str | None = None,
    q: str | None = None,
    limit: Limit = 20,
) -> dict[str, Any]:
    """Return lights near ``lon,lat``, or by tag or road name."""
    picture = present.picture()
    if near is not None:
        found = finding.near(picture, near, limit)
    elif q is not None and q.strip():
        found = finding.search(picture, q, limit)
    else:
        raise NotUnderstood(
            "nothing says which lights (expected near=lon,lat or q=tag or road name)"
        )
    return {"as_of": picture.written, "lights": found}


@router.get("/api/lights/{light_id:path}")
def one_light(light_id: str, present: Now) -> dict[str, Any]:
    """Return a light's card."""
    return finding.card(present.picture().around(light_id), light_id)


@router.get("/api/extract")
def register_extract(
    present: Now, if_none_match: Annotated[str | None, Header()] = None
) -> Response:
    """Return the register extract that a device keeps."""
    body, tag = extract(present.whole(EXTRACT_AGE_S))
    headers = {"ETag": tag, "Cache-Control": "no-cache"}
    if if_none_match and tag in if_none_match:
        return Response(status_code=status.HTTP_304_NOT_MODIFIED, headers=headers)
    return Response(body, media_type="application/json", headers=headers)


@router.get("/api/rates")
def rates(present: Now, by: str = "kind,type") -> dict[str, Any]:
    """Return failure rates with exact limits."""
    picture = present.whole()
    names = [name.strip() for name in by.split(",") if name.strip()]
    found = rates_document(picture.written, estimate(picture.lives, names))
    return document_on(found, grounds(picture.register, "rates"))


@router.get("/api/answers")
def answerable(present: Now) -> dict[str, Any]:
    """Return what each command can answer, and which record would add most."""
    picture = present.whole()
    known = picture.known
    found = coverage(picture.lives)
    return coverage_document(picture.written, found, known.as_of, known.clock)


@router.get("/api/outages")
def outages(present: Now) -> dict[str, Any]:
    """Return every open trouble."""
    picture = present.picture()
    found = outages_document(picture.written, picture.outages, picture.beside)
    return {**found, **grounds_document(grounds(picture.register, "outages"))}


@router.get("/api/troubles")
def troubles_of(circuit: str, present: Now) -> dict[str, Any]:
    """Return a circuit's open troubles as a device keeps them, judged now."""
    picture = present.picture()
    return {"as_of": picture.written, "troubles": troubles(picture, circuit)}


@router.get("/map", response_class=HTMLResponse)
def outage_page(present: Now) -> str:
    """Return the outage map; it brings its own content policy."""
    picture = present.picture()
    known = picture.known
    return outage_map(
        picture.outages,
        picture.register.standing,
        known.sections,
        picture.register.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place=known.place["name"],
        method=method_on(METHOD, grounds(picture.register, "map")),
        far=picture.beside.far,
    )
