"""What the map draws and says, without a browser."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import Any

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from folium.plugins import HeatMap
from shapely.geometry import LineString, MultiLineString, Point, Polygon

from lightwatch.decisions.cautions import UNDERGROUND
from lightwatch.decisions.triage.outage import VERDICTS, Outage
from lightwatch.decisions.triage.outage import NextTest as CheckFirst
from lightwatch.decisions.triage.spoken import per_cent, verdict_said, would_change
from lightwatch.mapview import LIGHT_COLUMNS, outage_map
from lightwatch.mapview.card import card
from lightwatch.mapview.inferred import inferred_lines
from lightwatch.mapview.offline import OfflineFigure
from lightwatch.mapview.scene import Scene, coded, counts, safe_json
from lightwatch.mapview.tree import dark_chances, dark_stretch

AS_OF = datetime(2025, 11, 25, 6, 0, tzinfo=UTC)
SAID: dict[str, Any] = {
    "as_of": AS_OF,
    "place": "Aldermoor",
    "method": "Judged on the supply tree.",
}
SECTION_COLUMNS = ["section_id", "circuit_id", "upstream_section_id", "kind"]
CIRCUIT_COLUMNS = ["circuit_id", "feed", "control", "source", "longitude", "latitude"]
NASTY = (
    "<script>alert(1)</script>\"'</script>{{7*7}}{% for %}<img src=x onerror=alert(2)>"
)


def light(light_id: str, x: float, y: float, section: str, **changed: str) -> list[Any]:
    told = {"circuit_id": "C1", "section_id": section, "pole_id": f"P{light_id[1:]}"}
    row = dict.fromkeys(LIGHT_COLUMNS, "") | told | changed
    return list((row | {"light_id": light_id, "longitude": x, "latitude": y}).values())


def branched() -> dict[str, Any]:
    """Source T, sections A-B-C in a line, D off A; B ends at an empty handhole."""
    lights = [
        light("L1", 0.001, 0.0, "A"),
        light("L3", 0.003, 0.0, "C"),
        light("L4", 0.001, 0.001, "D"),
        light("L5", 0.001, 0.002, "D", maintained_by="Valley Roads"),
        light("L9", 0.009, 0.009, "", circuit_id=""),
    ]
    sections = [("A", "C1", "", "overhead"), ("B", "C1", "A", "overhead")]
    sections += [("C", "C1", "B", "overhead"), ("D", "C1", "A", "overhead")]
    return {
        "lights": pd.DataFrame(lights, columns=LIGHT_COLUMNS),
        "sections": pd.DataFrame(sections, columns=SECTION_COLUMNS),
        "circuits": pd.DataFrame(
            [("C1", "overhead", "own", "T", 0.0, 0.0)], columns=CIRCUIT_COLUMNS
        ),
        "roads": no_roads(),
    }


def no_roads() -> gpd.GeoDataFrame:
    names = ["road_id", "name", "class", "geometry"]
    return gpd.GeoDataFrame(columns=names, geometry="geometry", crs=4326)


def outage(**changed: Any) -> Outage:
    told: dict[str, Any] = {
        "lights": ("L3", "L4"),
        "reported": ("L3",),
        "circuit_id": "C1",
        "underground": False,
        "symptom": "out",
        "probabilities": {"supply_fault": 0.8, "single_light": 0.2},
        "sections": (("A", 0.7), ("C", 0.1)),
        "components": (),
        "test_first": CheckFirst("pole P1", "splits what is left"),
        "since": AS_OF - timedelta(days=5),
        "why": ("both lights beyond A are out",),
        "danger": (),
    }
    return Outage(**(told | changed))


def scene(town: dict[str, Any], *outages: Outage) -> Scene:
    frames = [town[name] for name in ("lights", "sections", "circuits")]
    return Scene.of(outages, *frames, AS_OF)


def facts(told: Outage, town: dict[str, Any] | None = None) -> dict[str, Any]:
    shown = scene(town or branched(), told)
    circuit = shown.circuits.get(told.circuit_id or "")
    found: Any = card(told, circuit, shown.lights, AS_OF)["facts"]
    return dict(found)


def data_in(page: str) -> Any:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', page)
    assert found
    return json.loads(found[1])


def undone(flat: list[int]) -> list[tuple[float, float]]:
    """Decode a line as the page's script does."""
    points = np.cumsum(np.array(flat).reshape(-1, 2), axis=0) / 100_000
    return [(float(x), float(y)) for x, y in points]


def test_sections_run_from_the_upstream_light_to_every_light_at_their_end() -> None:
    circuit = scene(branched(), outage()).circuits["C1"]
    segments = {
        frozenset(pair) for line in circuit.lines() for pair in itertools.pairwise(line)
    }
    assert segments == {
        frozenset({(0.0, 0.0), (0.001, 0.0)}),
        frozenset({(0.001, 0.0), (0.003, 0.0)}),
        frozenset({(0.001, 0.0), (0.001, 0.001)}),
        frozenset({(0.001, 0.0), (0.001, 0.002)}),
    }


def test_a_straight_circuit_is_one_line_so_that_its_dashes_run_through() -> None:
    town = branched()
    town["sections"] = town["sections"].query("section_id != 'D'")
    (line,) = scene(town, outage()).circuits["C1"].lines()
    assert line == [(0.0, 0.0), (0.001, 0.0), (0.003, 0.0)]


def test_what_is_beyond_a_section_is_dark_by_it_or_by_those_before_it() -> None:
    circuit = scene(branched(), outage()).circuits["C1"]
    told = outage(sections=(("B", 0.5), ("A", 0.2), ("D", 0.05)))
    at_the_source = 0.8 - 0.7
    assert dark_chances(told, circuit) == pytest.approx(
        {
            "A": at_the_source + 0.2,
            "B": at_the_source + 0.7,
            "C": at_the_source + 0.7,
            "D": at_the_source + 0.25,
        }
    )


def test_the_dark_stretch_leaves_out_what_is_rather_lit() -> None:
    circuit = scene(branched(), outage()).circuits["C1"]
    at_c = outage(sections=(("C", 0.6), ("A", 0.1)))
    assert set(dark_stretch(at_c, circuit)) == {"C"}
    assert set(dark_stretch(outage(), circuit)) == {"A", "B", "C", "D"}
    at_d = outage(lights=("L4",), reported=("L4",), sections=(("D", 0.8),))
    assert set(dark_stretch(at_d, circuit)) == {"D"}


def test_an_unclear_fault_still_has_its_likeliest_stretch() -> None:
    circuit = scene(branched(), outage()).circuits["C1"]
    told = outage(probabilities={"supply_fault": 0.3}, sections=(("C", 0.3),))
    assert set(dark_stretch(told, circuit)) == {"C"}


def test_the_stretch_is_drawn_thicker_where_it_is_likelier() -> None:
    told = outage(
        probabilities={"supply_fault": 0.95, "single_light": 0.05},
        sections=(("B", 0.5), ("A", 0.45)),
    )
    stretch = scene(branched(), told).payload()["outages"][0]["stretch"]
    bands = {tuple(undone(line)): band for band, line in stretch}
    to_3 = ((0.001, 0.0), (0.003, 0.0))
    assert bands[to_3] == 2
    assert min(bands.values()) == 0


def inferred_town() -> dict[str, Any]:
    town = branched()
    town["sections"] = town["sections"].iloc[:0]
    town["lights"]["section_id"] = ""
    return town


def test_an_inferred_order_runs_the_shortest_way_from_the_source() -> None:
    circuit = scene(inferred_town(), outage(inferred=True)).circuits["C1"]
    ways = {frozenset(line) for line in map(tuple, inferred_lines(circuit))}
    assert ways == {
        frozenset({(0.0, 0.0), (0.001, 0.0)}),
        frozenset({(0.001, 0.0), (0.003, 0.0)}),
        frozenset({(0.001, 0.0), (0.001, 0.001)}),
        frozenset({(0.001, 0.001), (0.001, 0.002)}),
    }
    assert inferred_lines(circuit, {"L3"}) == [[(0.001, 0.0), (0.003, 0.0)]]


def test_an_inferred_stretch_is_marked_so_and_names_no_section() -> None:
    told = outage(inferred=True, sections=(("A", 0.7),))
    data = scene(inferred_town(), told).payload()
    (mark,) = data["outages"]
    assert (mark["inferred"], mark["suspects"]) == (1, [])
    assert len(mark["stretch"]) == 2
    assert data["circuits"][0][:3] == ["o", 1, 1]
    said = facts(told, inferred_town())
    assert said["Order of lights"] == "inferred from the map, not from records"
    assert "Likeliest sections" not in said


def test_a_feed_without_a_circuit_on_record_is_drawn_along_its_lights() -> None:
    town = inferred_town()
    town["lights"]["circuit_id"] = ""
    alone = outage(lights=("L1",), reported=("L1",), circuit_id=None, inferred=True)
    alone = replace(alone, probabilities={**alone.probabilities, "single_light": 1.0})
    shared = outage(circuit_id=None, inferred=True, sections=())
    seen = scene(town, shared, alone)
    mark = seen.payload()["outages"][0]
    assert (mark["circuit"], mark["inferred"], mark["suspects"]) == ("", 1, [])
    [[band, line]] = mark["stretch"]
    assert band == 1
    assert set(undone(line)) == {(0.003, 0.0), (0.001, 0.001)}
    ranks = [(one["title"], len(one["circuits"])) for one in seen.groups()]
    assert ranks == [("Suspected shared faults", 1), ("Lights on their own", 1)]
    assert facts(shared, town)["Circuit and order"].startswith("inferred from the map")


def test_lights_on_one_pole_are_joined_too() -> None:
    town = inferred_town()
    town["lights"].loc[1, ["longitude", "latitude"]] = [0.001, 0.0]
    circuit = scene(town, outage(inferred=True)).circuits["C1"]
    assert len(inferred_lines(circuit)) == 4


def test_an_area_is_outlined_round_all_its_lights() -> None:
    told = outage(
        circuit_id=None,
        underground=None,
        probabilities={"area_outage": 0.9, "single_light": 0.1},
        sections=(),
    )
    (mark,) = scene(branched(), told).payload()["outages"]
    ring = Polygon(undone(mark["outline"]))
    assert all(ring.contains(Point(at)) for at in ((0.003, 0.0), (0.001, 0.001)))
    assert not ring.contains(Point(0.009, 0.009))
    seen = scene(branched(), outage(), told)
    titles = [(one["title"], one["circuits"][0]["title"]) for one in seen.groups()]
    assert titles[0] == ("Area outages", "Several circuits")
    assert counts([told, outage()]) == {"areas": 1, "shared": 1, "others": 0}


def test_a_group_photocontrol_darkens_the_whole_way_from_the_source() -> None:
    shown = scene(branched(), outage())
    group = outage(
        lights=("L3",),
        probabilities={"group_photocontrol": 0.9, "supply_fault": 0.1},
        sections=(("C", 0.05),),
    )
    assert set(dark_stretch(group, shown.circuits["C1"])) == {"A", "B", "C", "D"}
    mark = scene(branched(), group).payload()["outages"][0]
    assert undone(mark["at"]) == [(0.0, 0.0)]


def test_sections_that_feed_each_other_in_a_ring_do_not_hang_the_map() -> None:
    town = branched()
    town["sections"].loc[0, "upstream_section_id"] = "C"
    page = outage_map([outage()], **town, **SAID)
    assert data_in(page)["outages"][0]["count"] == 2


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.9, "Almost certainly one fault on the overhead feed (90\xa0%)"),
        (0.89, "Probably one fault on the overhead feed (89\xa0%)"),
        (0.7, "Probably one fault on the overhead feed (70\xa0%)"),
        (0.69, "Could be one fault on the overhead feed (69\xa0%)"),
        (0.4, "Could be one fault on the overhead feed (40\xa0%)"),
        (0.39, "Unclear; the likeliest is one fault on the overhead feed (39\xa0%)"),
    ],
)
def test_the_verdict_is_said_in_the_words_of_its_probability(
    share: float, words: str
) -> None:
    rest = (1 - share) / 4
    others = ("single_light", "no_fault", "area_outage", "group_photocontrol")
    told = {"supply_fault": share} | dict.fromkeys(others, rest)
    assert verdict_said(outage(probabilities=told)) == words


def test_nothing_is_ever_said_to_be_certain() -> None:
    assert per_cent(1.0) == "over 99\xa0%"
    assert per_cent(0.0) == "under 1\xa0%"


def test_the_card_says_what_was_reported_what_is_dark_and_what_to_check() -> None:
    noticed = AS_OF - timedelta(days=16)
    told = outage(lights=("L1", "L3", "L4"), seen_lit=("L1",), dark_since=noticed)
    said = facts(told)
    assert said["Reported"] == "1 of 4 on the circuit: L3 (pole P3)"
    assert said["Seen lit since"] == "1: L1 (pole P1)"
    assert said["Not heard from, probably dark too"] == "1: L4 (pole P4)"
    assert said["First reported"] == "20 Nov 2025, 06:00 (5 nights)"
    assert said["Dark since about"] == "9 Nov"
    assert said["Check first"] == "pole P1: splits what is left"
    assert said["Likeliest sections"] == [
        "A, from the source to P1 (70\xa0%)",
        "C, from P1 to P3 (10\xa0%)",
    ]
    assert said["Why"] == ["both lights beyond A are out"]
    assert "beyond A seen lit" in said["What would change this"]
    assert said["It could also be"] == "a light on its own 20\xa0%"


def test_every_verdict_says_what_would_change_it() -> None:
    said = {
        would_change(outage(probabilities={name: 1.0}, symptom=symptom))
        for name in VERDICTS
        for symptom in ("out", "dayburning")
    }
    assert len(said) == len(VERDICTS) + 1


def test_danger_stands_first_on_the_card_and_first_in_the_order() -> None:
    mild, grave = outage(), outage(lights=("L4",), danger=("pole tingles",))
    assert next(iter(facts(grave))) == "Danger"
    shown = scene(branched(), mild, grave)
    assert shown.outages == (grave, mild)
    assert shown.groups()[0]["title"] == "Danger first"


def test_a_light_that_others_maintain_is_marked_and_said_not_to_be_ours() -> None:
    told = outage(lights=("L5",), reported=("L5",), sections=())
    said = facts(told)["Not ours to maintain"]
    assert said == "L5 (pole P5): maintained by Valley Roads"
    assert scene(branched(), told).payload()["outages"][0]["theirs"] == 1
    assert scene(branched(), outage()).payload()["outages"][0]["theirs"] == 0


@pytest.mark.parametrize(
    ("underground", "letter"), [(True, "u"), (False, "o"), (None, "x")]
)
def test_what_feeds_an_outage_reaches_the_page(underground: Any, letter: str) -> None:
    page = outage_map([outage(underground=underground)], **branched(), **SAID)
    assert data_in(page)["outages"][0]["feed"] == letter


def test_a_circuit_without_sections_has_no_line() -> None:
    town = branched()
    town["sections"] = town["sections"].iloc[:0]
    page = outage_map([outage(sections=())], **town, **SAID)
    data = data_in(page)
    assert data["circuits"] == [["o", 1, 0, []]]
    assert data["outages"][0]["stretch"] == []


def test_a_light_without_a_circuit_stands_alone_where_it_is() -> None:
    told = outage(
        lights=("L9",),
        reported=("L9",),
        circuit_id=None,
        underground=None,
        probabilities={"single_light": 1.0},
        sections=(),
    )
    page = outage_map([told], **branched(), **SAID)
    (mark,) = data_in(page)["outages"]
    assert undone(mark["at"]) == [(0.009, 0.009)]
    assert "No circuit on record" in page


def test_an_outage_of_an_unknown_light_is_listed_without_a_place() -> None:
    told = outage(lights=("L77",), circuit_id="C77", sections=())
    (mark,) = data_in(outage_map([told], **branched(), **SAID))["outages"]
    assert "at" not in mark
    assert mark["dots"] == []


def test_a_source_without_a_position_leaves_only_its_first_section_undrawn() -> None:
    town = branched()
    town["circuits"].loc[0, ["longitude", "latitude"]] = float("nan")
    lines = scene(town, outage()).circuits["C1"].lines()
    assert (0.0, 0.0) not in {point for line in lines for point in line}
    assert [(0.001, 0.0), (0.003, 0.0)] in [line[-2:] for line in lines]


def test_nothing_open_is_said_with_its_time() -> None:
    page = outage_map([], **branched(), **SAID)
    assert "Nothing open as of 25 Nov 2025, 06:00." in page
    assert data_in(page)["outages"] == []


def test_empty_frames_still_make_a_page() -> None:
    bare = {name: pd.DataFrame() for name in ("lights", "sections", "circuits")}
    page = outage_map([], **bare, roads=no_roads(), **SAID)
    assert data_in(page)["lights"] == []


def test_roads_in_many_parts_are_drawn_and_named_by_class() -> None:
    parts = MultiLineString([[(0, 0), (0.01, 0)], [(0.02, 0), (0.03, 0)]])
    roads = gpd.GeoDataFrame(
        {
            "road_id": ["R1", "R2"],
            "name": ["High Road", None],
            "class": ["arterial", "residential"],
            "geometry": [parts, LineString([(0, 0), (0, 0.02)])],
        },
        crs=4326,
    )
    drawn = data_in(outage_map([], **(branched() | {"roads": roads}), **SAID))["roads"]
    assert len(drawn["lines"]["3"]) == 2
    assert [undone(line) for line in drawn["lines"]["1"]] == [[(0, 0), (0, 0.02)]]
    assert [name[:3] for name in drawn["names"]] == [
        ["High Road", 500, 0],
        ["High Road", 2500, 0],
    ]


def test_all_lights_are_shown_from_the_start_where_there_are_no_roads() -> None:
    box = '<input type="checkbox" data-base="lights"%s>'
    line = gpd.GeoSeries([LineString([(0, 0), (0.001, 0)])], crs=4326)
    roads = gpd.GeoDataFrame({"name": [""], "class": ["arterial"]}, geometry=line)
    town = branched()
    assert box % " checked" in outage_map([outage()], **town, **SAID)
    assert box % "" in outage_map([outage()], **{**town, "roads": roads}, **SAID)


def test_all_lights_come_back_from_their_codes_within_a_metre() -> None:
    town = branched()
    town["lights"].loc[1, "longitude"] = float("nan")
    flat = data_in(outage_map([], **town, **SAID))["lights"]
    kept = town["lights"].dropna(subset="longitude")[["longitude", "latitude"]]
    assert np.allclose(undone(flat), kept.to_numpy(float), atol=0.5e-5 + 1e-12)


def test_coded_lines_survive_negative_coordinates() -> None:
    line = [(-70.123456, -33.654321), (-70.12, -33.65)]
    assert np.allclose(undone(coded(line)), line, atol=0.5e-5 + 1e-12)


def test_records_texts_are_shown_as_text_wherever_they_stand() -> None:
    town = branched()
    for column in ("pole_id", "maintained_by", "feed_owner"):
        town["lights"][column] = NASTY
    town["lights"]["circuit_id"] = NASTY
    town["circuits"].loc[0, ["circuit_id", "source"]] = NASTY
    town["sections"]["circuit_id"] = NASTY
    told = outage(
        circuit_id=NASTY,
        symptom=NASTY,
        test_first=CheckFirst(NASTY, NASTY),
        why=(NASTY,),
        danger=(NASTY,),
    )
    page = outage_map([told], **town, as_of=AS_OF, place=NASTY, method=NASTY)
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert "49" not in page.split("<h1>")[1].split("</h1>")[0]
    heading = page.split("<h1>")[1].split("</h1>")[0]
    assert unescape(heading) == f"Open outages, {NASTY}"
    assert dict(data_in(page)["outages"][0]["card"]["facts"])["Danger"] == [NASTY]


def test_json_for_the_page_holds_no_sign_that_could_end_its_element() -> None:
    text = safe_json([NASTY, "<!--", "\u2028"])
    assert not set(text) & set("<>&\u2028")
    assert json.loads(text) == [NASTY, "<!--", "\u2028"]


def test_the_page_links_to_nothing_outside() -> None:
    page = outage_map([outage()], **branched(), **SAID)
    markup = re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.DOTALL)
    assert "default-src 'none'" in page
    assert not re.search(r"\b(src|href)\s*=\s*[\"'](?!#)", markup)
    assert not re.search(r"url\((?!data:|#)", page)


def test_a_plugin_that_would_be_fetched_is_refused() -> None:
    figure = OfflineFigure({})
    chart = folium.Map(tiles=None)
    HeatMap([[0, 0]]).add_to(chart)
    figure.add_child(chart)
    with pytest.raises(ValueError, match="would be fetched"):
        figure.render()


def test_the_same_outages_make_the_same_page() -> None:
    first, second = (outage_map([outage()], **branched(), **SAID) for _ in range(2))
    assert first == second


def test_the_cautions_of_the_trade_stand_on_the_page() -> None:
    page = outage_map([outage()], **branched(), **SAID)
    for caution in (
        "live until tested",
        "Contact voltage",
        "a likely cause never replaces a test",
        "never dig by it",
        "Follow your utility's rules, local code and a qualified person's judgement",
        "Volodymyr Agafonkin",
    ):
        assert caution in page
    for caution in UNDERGROUND:
        assert caution in unescape(page)


CITY_CIRCUIT = 25
"""Lights on each circuit of the large invented city."""


def city(count: int) -> dict[str, Any]:
    """A city of straight circuits, as large as asked."""
    n = np.arange(count)
    circuit, step = n // CITY_CIRCUIT, n % CITY_CIRCUIT
    ids = pd.Series(n).astype(str)
    names = "C" + pd.Series(circuit).astype(str)
    x = 15 + (circuit % 110) * 0.011 + step * 0.0004
    y = 47 + (circuit // 110) * 0.001 + np.sin(n) * 0.00002
    blank = dict.fromkeys(("technology", "owner", "maintained_by", "feed_owner"), "")
    lights = pd.DataFrame(
        {"light_id": "L" + ids, "pole_id": "P" + ids, "longitude": x, "latitude": y}
        | {"road_id": names, "circuit_id": names, "section_id": "S" + ids}
        | blank
    )
    above = ("S" + pd.Series(n - 1).astype(str)).where(step > 0, "")
    sections = pd.DataFrame(
        {"section_id": "S" + ids, "circuit_id": names, "upstream_section_id": above}
    )
    heads = lights[step == 0]
    circuits = heads[["circuit_id", "longitude", "latitude"]].assign(
        feed=np.where(np.arange(len(heads)) % 2, "underground", "overhead"),
        control="own",
        source="T" + heads["circuit_id"],
    )
    lines = [
        LineString([(a, b), (a + 0.0096, b)])
        for a, b in zip(heads["longitude"], heads["latitude"], strict=True)
    ]
    roads = gpd.GeoDataFrame(
        {"road_id": heads["circuit_id"], "name": "Road " + heads["circuit_id"]},
        geometry=lines,
        crs=4326,
    ).assign(**{"class": "residential"})
    return {
        "lights": lights,
        "sections": sections,
        "circuits": circuits,
        "roads": roads,
    }


def city_outages(singles: int, faults: int) -> list[Outage]:
    """Single lights on as many circuits, then feed faults on others."""
    found = []
    for number in range(singles):
        circuit = number * 3 + 1
        one = f"L{circuit * CITY_CIRCUIT + number % CITY_CIRCUIT}"
        found.append(
            outage(
                lights=(one,),
                reported=(one,),
                circuit_id=f"C{circuit}",
                probabilities={"single_light": 0.9, "supply_fault": 0.1},
                sections=(),
                components=(("photocontrol", 0.6), ("driver", 0.4)),
            )
        )
    for number in range(faults):
        first = number * 3 * CITY_CIRCUIT + 12
        dark = tuple(f"L{light}" for light in range(first, first + 13))
        fault = outage(lights=dark, reported=dark[::2], circuit_id=f"C{number * 3}")
        found.append(replace(fault, sections=((f"S{first}", 0.7),), underground=True))
    return found


@pytest.mark.slow
def test_three_hundred_thousand_lights_fit_in_eight_megabytes() -> None:
    town, troubles = city(300_000), city_outages(3_000, 100)
    page = outage_map(troubles, **town, **SAID)
    assert len(page.encode()) <= 8_000_000
    assert len(data_in(page)["lights"]) == 600_000
