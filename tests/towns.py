"""A little invented town, so small that every row can be reasoned about.

Two circuits: C1 is underground and branches (S1 feeds S2 and S4, S2 feeds S3); C2 is
overhead and switched by one photocontrol (S5 feeds S6). Light L09 was removed in 2019,
L10 entered service in 2018. Every row is good until a test spoils a cell.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

from lightwatch.nights import LocalTime
from lightwatch.observations.intake import load
from lightwatch.observations.outcome import Outcome
from lightwatch.observations.package import Package
from lightwatch.store import Store, open_store
from lightwatch.words import descriptor
from tests import databases

CLOCK = LocalTime("Europe/Vienna")
CREATED = "2020-01-01T00:00:00+01:00"
NOW = CLOCK.instant("2020-01-02T09:00")
"""When the package is loaded."""

Cells = dict[str, str]

TABLES = {
    "models": """\
model,kind,type,unit_cost,lead_time_days,pack_size
LP-70,lamp,hps,9.5,20,12
BL-70,ballast,hps,31,30,4
IG-70,ignitor,hps,8,30,4
PC-A,photocontrol,electronic,14,35,12
PC-T,photocontrol,thermal,7.5,35,12
DR-40,driver,led,40,60,1
MD-40,led_module,led,75,60,1
""",
    "stations": """\
station_id,longitude,latitude
WX1,15.640,47.320
""",
    "circuits": """\
circuit_id,feed,voltage,control,source
C1,underground,230,own,T1
C2,overhead,230,group,T2
""",
    "sections": """\
section_id,circuit_id,upstream_section_id,kind,length_m,installed_on
S1,C1,,underground_duct,40,2001
S2,C1,S1,underground_duct,35.5,2001-06
S3,C1,S2,underground_direct,35.5,2001-06-15
S4,C1,S1,underground_direct,30,
S5,C2,,overhead,42,1998
S6,C2,S5,overhead,42,1998
""",
    "lights": """\
light_id,pole_id,longitude,latitude,road_id,circuit_id,section_id,technology,watts,in_service,removed_on,notes
L01,P01,15.6400,47.3200,R1,C1,S1,hps,83,,,
L02,P02,15.6405,47.3200,R1,C1,S2,hps,83,,,
L03,P03,15.6410,47.3200,R1,C1,S3,hps,83,,,
L04,P04,15.6400,47.3204,R2,C1,S4,hps,83,,,
L05,P05,15.6430,47.3210,R3,C2,S5,hps,83,,,
L06,P06,15.6435,47.3210,R3,C2,S5,hps,83,,,
L07,P07,15.6440,47.3210,R3,C2,S6,hps,83,,,
L08,P08,15.6445,47.3210,R3,C2,S6,led,40,2017-03-01,,
L09,P09,15.6415,47.3200,R1,C1,S3,hps,83,,2019-06-01,
L10,P10,15.6420,47.3200,R2,C1,S4,led,40,2018-05-01,,
""",
    "components": """\
light_id,circuit_id,kind,model,installed_on
L01,,lamp,LP-70,2014-05
L01,,ballast,BL-70,2010
L01,,photocontrol,PC-A,2013-02-03
L02,,lamp,LP-70,2015-01-20
L02,,photocontrol,PC-A,
L03,,lamp,LP-70,2013
L03,,photocontrol,PC-T,2013-02-03
L04,,lamp,LP-70,2015-08
L04,,photocontrol,PC-T,2013-02-03
L05,,lamp,LP-70,2012-11-02
L06,,lamp,LP-70,2012-11-02
L07,,lamp,LP-70,2012-11-02
L08,,driver,DR-40,2017-03-01
L08,,led_module,MD-40,2017-03-01
L09,,lamp,LP-70,2011
L09,,photocontrol,PC-T,2013-02-03
L10,,driver,DR-40,2018-05-01
L10,,led_module,MD-40,2018-05-01
L10,,photocontrol,PC-A,2018-05-01
,C2,photocontrol,PC-A,2012-11-02
""",
    "reports": """\
report_id,received_at,light_id,longitude,latitude,symptom,channel,danger,notes
Q01,2016-02-03T19:10,L01,,,out,phone,,
Q02,2016-09-20T07:00,L03,15.6410,47.3200,dayburning,web,,
Q03,2017-05-01T22:00,,15.6435,47.3210,group_out,phone,,
Q04,2018-04-20T21:00,L10,,,out,staff,,
Q05,2018-10-28T02:10,L02,,,cycling,web,,
Q06,2019-02-02T18:00,L09,15.6415,47.3200,out,web,hanging,
Q07,2019-11-11T17:30,L05,,,out,phone,,
Q08,2019-11-12T18:10,L06,,,out,phone,,
Q09,2019-11-13T18:30,L07,,,out,web,,
Q10,2019-12-20T17:00,L10,15.6420,47.3200,flickering,web,,
Q11,2019-12-28T23:45,L03,,,out,web,exposed_wires,
""",
    "repairs": """\
repair_id,performed_at,recorded_at,crew,report_id,light_id,circuit_id,section_id,cause,action,component,fitted_model,removed_model,removed_date_code,symptom_found,proven,supersedes,notes
W01,2016-02-05T10:00,2016-02-07T08:00,crew-1,Q01,L01,C1,,lamp,replaced,lamp,LP-70,LP-70,2014-05,out,seen_lit,,
W02,2016-09-22T09:30,,crew-1,Q02,L03,C1,,photocontrol,replaced,photocontrol,PC-A,PC-T,,dayburning,cover_test,,
W03,2017-05-02T08:00,2017-05-03T08:00,crew-2,Q03,,C2,,photocontrol,replaced,photocontrol,PC-A,,,group_out,not_proven,,
W04,2018-04-22T11:00,2018-04-25T08:00,crew-2,Q04,L10,,,driver,replaced,driver,DR-40,,,out,,,
W05,2018-10-30T14:00,2018-10-31T08:00,crew-1,Q05,L02,C1,,none,no_fault_found,,,,,lit,,,
W06,2018-10-30T14:00,2019-01-15T08:00,crew-1,Q05,L02,C1,,lamp,replaced,lamp,LP-70,LP-70,2015,cycling,seen_lit,W05,
W07,2019-02-04T09:00,2019-02-04T16:00,crew-2,Q06,L09,C1,,knockdown,made_safe,,,,,out,,,
W08,2019-04-01T09:00,2019-04-03T09:00,crew-2,,L04,C1,,programme,converted,luminaire,DR-40+MD-40,,,,seen_lit,,
W09,2019-08-08T10:00,2019-08-09T10:00,crew-2,,,C1,S4,cable_fault,repaired,cable,,,,group_out,,,
""",
    "patrols": """\
patrol_id,started_at,road_id,kind
N1,2016-12-05T21:00,R1,night
N1,2016-12-05T21:00,R2,night
N2,2018-03-24T22:00,R1,
N2,2018-03-24T22:00,R3,
D3,2018-06-12T13:00,R1,day
N4,2019-11-14T20:00,R3,night
N4,2019-11-14T20:00,R2,night
""",
    "sightings": """\
patrol_id,light_id,state,seen_at
N1,L04,out,2016-12-05T21:40
N2,L08,out,2018-03-25T02:30
D3,L01,dayburning,2018-06-12T13:20
N4,L06,out,2019-11-15T00:10
N4,L10,cycling,2019-11-14T20:50
""",
    "weather": """\
station_id,date,tmin_c,tmax_c,rain_mm,rh_mean_pct,gust_kmh
WX1,2016-01-01,-4,3,0,80,20
WX1,2016-01-02,-1,2,4.5,91,33
WX1,2018-03-25,1,9,1.2,70,15
WX1,2018-10-28,2,8,6,88,41
WX1,2019-12-31,-6,-1,0,75,12
""",
    "stock": """\
model,depot,on_hand,on_order,due_on
LP-70,Main,12,24,2020-02-01
PC-A,Main,5,0,
""",
}

ROADS: list[dict[str, Any]] = [
    {"road_id": "R1", "name": "Lane 1", "class": "residential", "speed_kmh": 30,
     "one_way": False},
    {"road_id": "R2", "name": "Rise 2", "class": "collector", "speed_kmh": 50,
     "one_way": True, "surface": "setts", "lanes": 2},
    {"road_id": "R3", "name": "Row 3", "class": "arterial", "speed_kmh": 60,
     "one_way": False},
]  # fmt: skip
_LINES = (
    [[15.640, 47.320], [15.6415, 47.320]],
    [[15.640, 47.320], [15.640, 47.3204], [15.642, 47.320]],
    [[15.643, 47.321], [15.6445, 47.321]],
)


def _feature(properties: dict[str, Any], line: list[list[float]]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": line},
        "properties": properties,
    }


def roads_text() -> str:
    """The roads file, one feature a line."""
    features = [_feature(*pair) for pair in zip(ROADS, _LINES, strict=True)]
    return json.dumps({"type": "FeatureCollection", "features": features})


def rows_of(text: str) -> tuple[list[str], list[Cells]]:
    """Read a table's column names and rows."""
    reader = csv.DictReader(text.splitlines())
    return list(reader.fieldnames or ()), list(reader)


def table(name: str, lines: dict[int, Cells]) -> str:
    """Write one of the tables with the cells of some lines spoilt.

    A line is numbered as the rejects file does, the header being 1. A line past the
    last adds a row; a column that the table does not have is added to all rows.
    """
    names, rows = rows_of(TABLES[name])
    for line in sorted(lines):
        cells = lines[line]
        names += [column for column in cells if column not in names]
        if line - 2 < len(rows):
            rows[line - 2].update(cells)
        else:
            assert line - 2 == len(rows), f"{name} has {len(rows)} rows"
            rows.append(cells)
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def lines_in(name: str) -> int:
    """The line after a table's last: where a row may be added."""
    return len(TABLES[name].splitlines()) + 1


def little_town(
    folder: Path,
    *,
    created: str = CREATED,
    place: dict[str, Any] | None = None,
    described: dict[str, Any] | None = None,
    **files: dict[int, Cells] | str | bytes | None,
) -> Path:
    """Write the little town as a package.

    Parameters
    ----------
    folder
        Where to; made if it is not there.
    created, place, described
        The descriptor's ``created``; what differs in ``lightwatch:place``; what else
        differs in the descriptor.
    files
        Resource to spoilt lines (as for :func:`table`), to the file's whole text, or
        to None: then the file is left out.
    """
    folder.mkdir(parents=True, exist_ok=True)
    package = descriptor()
    package["created"] = created
    package["lightwatch:place"] |= {"name": "Little Town", **(place or {})}
    package |= described or {}
    (folder / "datapackage.json").write_text(json.dumps(package), "utf-8")
    for name in [*TABLES, "roads"]:
        path = folder / ("roads.geojson" if name == "roads" else f"{name}.csv")
        plain = roads_text() if name == "roads" else TABLES[name]
        change = files.pop(name, plain)
        text = table(name, change) if isinstance(change, dict) else change
        if isinstance(text, bytes):
            path.write_bytes(text)
        elif text is not None:
            path.write_text(text, "utf-8", newline="")
    assert not files, f"no such file: {sorted(files)}"
    return folder


def new_store(folder: Path, name: str = "store.db") -> Store:
    """Open a new store in a folder: a copy of an empty one, made once."""
    return open_store(databases.copied(_empty, folder, name))


def _empty(address: str) -> None:
    open_store(address, create=True).engine.dispose()


def take_in(store: Store, folder: Path, *, now: int = NOW, **more: Any) -> Outcome:
    """Load a package into a store, no earlier than it was made."""
    package = Package.open(folder)
    now = max(now, package.created)
    return load(store, package, now=now, said_by="a test", **more)
