"""A package cut off at a time: what an export of that day would have held.

The rule is the contract's: reports by received_at, repairs by recorded_at (blank:
performed_at), patrols with their sightings once the night is over, weather days that
have ended, lights by in_service; a removed_on at or after the time is blank, and so is
all that a later closing says of a report; the stock is left out, and created is the
time.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

Cells = dict[str, str]


def _instant(text: str, zone: ZoneInfo) -> datetime | None:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo else at.replace(tzinfo=zone)


def _patrol_over(row: Cells, zone: ZoneInfo) -> datetime | None:
    at = _instant(row["started_at"], zone)
    if at is None:
        return None
    wall = at.astimezone(zone)
    if row.get("kind") == "day":
        day, hour = wall.date() + timedelta(1), time(0)
    else:
        day, hour = wall.date() + timedelta(1 if wall.hour >= 12 else 0), time(12)
    return datetime.combine(day, hour, zone)


def truncate(source: Path, target: Path, at: datetime) -> Path:
    """Write the package in ``source`` as of a time into ``target``."""
    target.mkdir(parents=True)
    described = json.loads((source / "datapackage.json").read_text("utf-8"))
    zone = ZoneInfo(described["lightwatch:place"]["timezone"])
    described["created"] = at.isoformat()
    described["resources"] = [
        one for one in described["resources"] if one["name"] != "stock"
    ]
    (target / "datapackage.json").write_text(json.dumps(described), "utf-8")
    over: dict[str, datetime] = {}

    def known(text: str, fallback: str = "") -> bool:
        found = _instant(text or fallback, zone)
        return found is None or found.astimezone(at.tzinfo) < at

    def midnight(text: str, days: int = 0) -> datetime | None:
        try:
            day = date.fromisoformat(text) + timedelta(days)
        except ValueError:
            return None
        return datetime.combine(day, time(0), zone)

    def patrol(row: Cells) -> bool:
        ends = _patrol_over(row, zone)
        if ends is not None:
            over[row["patrol_id"]] = max(ends, over.get(row["patrol_id"], ends))
        return ends is None or ends <= at

    def sighting(row: Cells) -> bool:
        ends = over.get(row["patrol_id"])
        return ends is None or ends <= at

    def light(row: Cells) -> bool:
        begun = midnight(row.get("in_service", ""))
        gone = midnight(row.get("removed_on", ""))
        if gone is not None and gone >= at:
            row["removed_on"] = ""
        return begun is None or begun < at

    def report(row: Cells) -> bool:
        if row.get("closed_at") and not known(row["closed_at"]):
            row |= dict.fromkeys(("closed_at", "closed_as", "duplicate_of"), "")
        return known(row["received_at"])

    def weather(row: Cells) -> bool:
        ends = midnight(row["date"], 1)
        return ends is None or ends <= at

    rules: dict[str, Callable[[Cells], bool]] = {
        "lights": light,
        "reports": report,
        "repairs": lambda row: known(row.get("recorded_at", ""), row["performed_at"]),
        "patrols": patrol,
        "sightings": sighting,
        "weather": weather,
    }
    for resource in described["resources"]:
        path = source / resource["path"]
        if not path.exists():
            continue
        rule = rules.get(resource["name"])
        if rule is None:
            shutil.copyfile(path, target / resource["path"])
            continue
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            rows = [row for row in reader if rule(row)]
            names = list(reader.fieldnames or ())
        with (target / resource["path"]).open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, names, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return target
