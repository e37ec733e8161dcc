"""The first page: it works as plain forms, and better with its script."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from api import lights as finding
from api.errors import headers_of, problem, status_of
from api.extract import jobs
from api.present import TESTS
from api.readings import KINDS
from api.repairs import Now, kept, said_by
from lightwatch.decisions.cautions import CAUTIONS
from lightwatch.decisions.coverage import coverage
from lightwatch.decisions.grounds import grounds
from lightwatch.decisions.triage import METHOD, VERDICTS
from lightwatch.errors import Unavailable
from lightwatch.nights import LocalTime
from lightwatch.observations.entry import (
    MADE_SAFE,
    NO_FAULT,
    light_tagged,
    new_key,
    usual,
)
from lightwatch.store import Store
from lightwatch.words import resources
from reports.coverage import share_said, until_said, wanted_said
from reports.grounds import not_known

router = APIRouter(include_in_schema=False)

HERE = Path(str(files(__package__)))
OPEN_SHOWN = 20

WORDS = {
    "led_module": "LED module",
    "driver": "LED driver",
    "none": "Nothing wrong found",
    "made_safe": "Made safe, not working",
    "cable": "Cable section",
    "line": "Overhead line section",
    "cover_test": "Cover test: it lit",
    "seen_lit": "Seen lit",
    "not_proven": "Not proven: verify at night",
    "dayburning": "burning by day",
    "cycling": "cycling on and off",
    "group_out": "several out",
    "other_utility": "other utility",
}
"""The format's words as a crew says them, where they differ."""


def said(word: str) -> str:
    """Return a word of the format as a person would say it."""
    return WORDS.get(word, word.replace("_", " "))


def sentence(text: str) -> str:
    """Return a text with a capital."""
    return text[:1].upper() + text[1:]


def allowed(column: str) -> list[str]:
    """Return the words that a column of repairs takes, in the format's order."""
    from lightwatch.words import descriptor

    rows = {row["name"]: row for row in descriptor()["resources"]}
    fields = rows["repairs"]["schema"]["fields"]
    field = next(one for one in fields if one["name"] == column)
    return [word for word in field["constraints"]["enum"] if word]


@cache
def version() -> str:
    """Return a name for this version of the page's files."""
    digest = sha256()
    for folder in ("static", "templates"):
        for path in sorted((HERE / folder).rglob("*")):
            if path.is_file():
                digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["said"] = said
    environment.filters["sentence"] = sentence
    environment.globals.update(
        version=version(),
        cautions=CAUTIONS,
        words=WORDS,
        verdicts=VERDICTS,
        method=METHOD,
        jobs=jobs(),
        reading_kinds=KINDS,
        tests=TESTS,
        new_key=new_key,
        allowed={
            name: allowed(name)
            for name in ("action", "symptom_found", "proven", "follow_up", "component")
        },
        blank=_filled_in({}, None),
    )
    return environment


def _filled_in(row: dict[str, Any], clock: LocalTime | None) -> dict[str, Any]:
    """Return what the form shows when it corrects a record; blank for a new one."""
    old: dict[str, Any] = {
        name: row.get(name) or "" for name in resources()["repairs"].columns
    }
    if clock and old["performed_at"]:
        done = clock.at(clock.instant(old["performed_at"]))
        old["performed_at"] = f"{done:%Y-%m-%dT%H:%M}"
    plain = {"no_fault_found": NO_FAULT, "made_safe": MADE_SAFE}
    old["what"] = old["component"] or plain.get(old["action"], "")
    old["fitted"] = [one.strip() for one in old["fitted_model"].split("+")]
    return old


def _page(name: str, status: int = 200, **context: Any) -> Response:
    text = _templates().get_template(name).render(context)
    return Response(text, status, media_type="text/html; charset=utf-8")


class _Versioned(StaticFiles):
    """Files under a version's name: what is there never changes."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        _, _, name = path.partition("/")
        response = await super().get_response(name or path, scope)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


def static_files() -> StaticFiles:
    """Return the page's own files, under ``/static/<version>/``."""
    return _Versioned(directory=HERE / "static")


@router.get("/sw.js")
def service_worker() -> Response:
    """Return the service worker, which keeps this version of the page."""
    names = sorted(path.name for path in (HERE / "static").iterdir())
    text = _templates().get_template("sw.js").render(files=names)
    return Response(text, media_type="text/javascript")


@router.get("/")
def first_page(present: Now, q: str = "", near: str = "") -> Response:
    """Find a light: by tag, by road, near a place, or among what is open."""
    picture = present.picture()
    found: list[dict[str, Any]] | None = None
    if near.strip():
        found = finding.near(picture, near, OPEN_SHOWN)
    elif q.strip():
        found = finding.search(picture, q, OPEN_SHOWN)
    lights = picture.register.standing.set_index("light_id", drop=False)
    waiting = []
    for outage in picture.outages:
        rows = [one for one in outage.reported if one in lights.index]
        waiting += [finding.brief(picture, lights.loc[one]) for one in rows]
    place = picture.known.place["name"]
    return _page(
        "home.html",
        place=place,
        q=q,
        found=found,
        waiting=waiting[:OPEN_SHOWN],
        not_known=not_known(grounds(picture.register, "outages")),
    )


@router.get("/shell")
def shell(present: Now) -> Response:
    """Return the page that a device keeps; its script fills it."""
    return _page("shell.html", place=present.name)


@router.get("/queue")
def queue_page(present: Now) -> Response:
    """Return the page of records that wait on this device; the script fills it."""
    return _page("queue.html", place=present.name)


@router.get("/answers")
def answers_page(present: Now) -> Response:
    """Say what the records can answer, and what would add most."""
    picture = present.whole()
    known, found = picture.known, coverage(picture.lives)
    return _page(
        "answers.html",
        place=known.place["name"],
        as_of=picture.written,
        found=found,
        kept=[(one, until_said(one, known.as_of, known.clock)) for one in found.kept],
        share_said=share_said,
        wanted_said=wanted_said,
    )


@router.get("/lights/{light_id:path}")
def light_page(light_id: str, present: Now, corrects: str = "") -> Response:
    """Return a light's card with the form that logs a repair."""
    picture = present.picture().around(light_id)
    card = finding.card(picture, light_id)
    row = kept(present, corrects) if corrects else {}
    return _page(
        "light.html",
        place=picture.known.place["name"],
        card=card,
        key=new_key(),
        old=_filled_in(row, picture.known.clock),
        corrects=corrects,
        models=picture.known.models.to_dict("records"),
    )


def _from_form(form: Any, store: Store) -> dict[str, str]:
    """Read the form: what was said, and what goes without saying."""
    given = {name: str(form.get(name, "")).strip() for name in form}
    values = {name: text for name, text in given.items() if text}
    what = values.pop("what", "")
    fitted = [str(one).strip() for one in form.getlist("fitted_model")]
    values["fitted_model"] = "+".join(dict.fromkeys(one for one in fitted if one))
    if values.get("proven") == "not_proven":
        values.setdefault("follow_up", "verify_at_night")
    if "light_id" in values:
        values["light_id"] = light_tagged(store, values["light_id"])
    old = store.find("repairs", [key]) if (key := values.get("supersedes", "")) else {}
    if old and (old[key]["light_id"] or "") != values.get("light_id", ""):
        values.pop("circuit_id", None)
    return {**(usual(what) if what else {}), **values}


@router.post("/repairs")
async def post_form(request: Request, present: Now) -> Response:
    """Keep a repair from the plain form; sent twice, it is there once."""
    form = await request.form()

    def keep() -> str:
        values = _from_form(form, present.store)
        return present.log(values, said_by(values)).key

    request.state.form = form.multi_items()  # in trouble, it is given back
    key = await run_in_threadpool(keep)
    return RedirectResponse(f"/receipts/{key}", 303)


@router.get("/receipts/{repair_id:path}")
def receipt(repair_id: str, present: Now) -> Response:
    """Say that a repair is on record, and how to correct it."""
    row = kept(present, repair_id)
    shown = {name: text for name, text in row.items() if text}
    return _page("receipt.html", place=present.name, record=row, shown=shown)


def problem_page(request: Request, error: Exception) -> Response:
    """Tell a person's mistake on a page that leads back; it reads no record.

    A form that met trouble of the database is given back to be sent again as it is,
    under the same key.
    """
    unsure = isinstance(error, Unavailable)
    page = _page(
        "problem.html",
        int(status_of(error)),
        place=request.app.state.present.name,
        problem=problem(error),
        unsure=unsure,
        again=getattr(request.state, "form", ()) if unsure else (),
    )
    page.headers.update(headers_of(error))
    return page
