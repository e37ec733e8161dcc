"""A register as another utility would send it: the demo village, in other clothes.

Semicolons, Latin-1 and CRLF; German names and codes; day-first dates; feet; repairs in
a workbook under a title; lights, sections and roads as shapes in a projected system in
feet. Nothing of its content is changed, so what is learnt from it must not be either.
"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
from openpyxl import Workbook
from pyproj import CRS
from shapely.geometry import LineString

FEET = CRS.from_proj4(
    "+proj=tmerc +lat_0=52 +lon_0=-3 +k=1 +x_0=500000 +y_0=200000 +ellps=WGS84 "
    "+towgs84=0,0,0 +units=us-ft +no_defs"
)
"""A local projected system, as a surveyor's office would set one up [US survey ft]."""

FT_PER_M = 1 / 0.3048

NAMES = {
    "models": ("Modellkatalog.csv", {
        "model": "Modell", "kind": "Bauteil", "type": "Bauart", "maker": "Hersteller",
        "volts_min": "Spannung von", "volts_max": "Spannung bis",
        "watts": "Leistung (W)", "warranty_years": "Garantie (Jahre)",
        "unit_cost": "Stückpreis", "lead_time_days": "Lieferzeit (Tage)",
        "lead_time_sd_days": "Lieferzeit Streuung", "pack_size": "VE",
        "minimum_order": "Mindestbestellmenge"}),
    "circuits": ("Stromkreise.csv", {
        "circuit_id": "Stromkreis-Nr.", "feed": "Speisungsart",
        "voltage": "Nennspannung", "control": "Schaltung", "source": "Speisepunkt",
        "owner": "Eigentümer", "longitude": "Geogr. Länge",
        "latitude": "Geogr. Breite"}),
    "components": ("Komponenten.csv", {
        "light_id": "Leuchtstelle", "circuit_id": "Stromkreis",
        "kind": "Bauteilart", "model": "Modell", "installed_on": "Eingebaut am"}),
    "reports": ("Störungsmeldungen.csv", {
        "report_id": "Meldungs-Nr.", "received_at": "Eingang", "light_id":
        "Leuchtstelle", "longitude": "Länge", "latitude": "Breite",
        "symptom": "Störungsbild", "channel": "Meldeweg", "danger": "Gefahr",
        "notes": "Bemerkung"}),
    "patrols": ("Kontrollfahrten.csv", {
        "patrol_id": "Fahrt", "started_at": "Beginn", "road_id": "Straßenabschnitt",
        "kind": "Art"}),
    "sightings": ("Befunde.csv", {
        "patrol_id": "Fahrt", "light_id": "Leuchtstelle", "state": "Zustand",
        "seen_at": "Gesehen um"}),
    "weather": ("Wetter.csv", {
        "station_id": "Station", "date": "Tag", "tmin_c": "T min", "tmax_c": "T max",
        "rain_mm": "Niederschlag", "rh_mean_pct": "Rel. Feuchte",
        "gust_kmh": "Windspitze"}),
    "stations": ("Wetterstationen.csv", {
        "station_id": "Station", "longitude": "Länge", "latitude": "Breite"}),
    "stock": ("Lagerbestand.csv", {
        "model": "Modell", "depot": "Bauhof", "on_hand": "Bestand",
        "on_order": "bestellt", "due_on": "Liefertermin"}),
    "repairs": ("Arbeitsaufträge.xlsx", {
        "repair_id": "Auftragsnummer", "performed_at": "Ausgeführt am",
        "recorded_at": "Erfasst am", "crew": "Trupp", "report_id": "Meldung",
        "light_id": "Leuchtstelle", "circuit_id": "Stromkreis",
        "section_id": "Kabelabschnitt", "cause": "Schadensursache",
        "action": "Tätigkeit", "component": "Betroffenes Bauteil",
        "fitted_model": "Modell neu", "removed_model": "Modell alt",
        "removed_date_code": "Datumscode", "symptom_found": "Vorgefunden",
        "volts": "Spannung gemessen", "proven": "Funktionsprobe",
        "made_safe": "Gesichert", "temporary_feed_until": "Provisorium bis",
        "follow_up": "Folgearbeit", "supersedes": "Berichtigt",
        "notes": "Bemerkungen"}),
    "lights": ("Netz.gpkg", {
        "light_id": "LeuchtstellenNr", "pole_id": "Mastnummer", "road_id":
        "Straßenabschnitt", "circuit_id": "Stromkreis", "section_id":
        "Kabelabschnitt", "technology": "Lampenart", "watts": "Anschlussleistung",
        "in_service": "Inbetriebnahme", "removed_on": "Demontage",
        "owner": "Eigentümer", "maintained_by": "Unterhalt", "feed_owner":
        "Netzbetreiber", "depot": "Betriebshof", "notes": "Bemerkung"}),
    "sections": ("Netz.gpkg", {
        "section_id": "Abschnitt", "circuit_id": "Stromkreis",
        "upstream_section_id": "Vorgänger", "kind": "Verlegeart", "length_m":
        "Kabellänge", "installed_on": "Verlegt am"}),
    "roads": ("Netz.gpkg", {
        "road_id": "Abschnittsnummer", "name": "Straßenname", "class": "Straßenklasse",
        "speed_kmh": "Tempolimit", "one_way": "Einbahn"}),
}  # fmt: skip
"""Our files to theirs, and our columns to theirs."""

LAYERS = {"lights": "Leuchtstellen", "sections": "Kabelnetz", "roads": "Straßennetz"}

_KINDS = {
    "luminaire": "Leuchte", "lamp": "Lampe", "ballast": "Vorschaltgerät",
    "ignitor": "Zündgerät", "driver": "LED-Treiber", "led_module": "LED-Modul",
    "photocontrol": "Dämmerungsschalter", "fuse": "Sicherung",
    "wiring": "Mastverdrahtung", "pole": "Mast", "cable": "Erdkabel",
    "line": "Freileitung",
}  # fmt: skip
_SYMPTOMS = {
    "out": "dunkel", "group_out": "Straßenzug dunkel", "dayburning": "brennt am Tag",
    "cycling": "geht an und aus", "dim": "leuchtet schwach", "flickering": "flackert",
    "knocked_down": "umgefahren", "other": "Sonstiges", "lit": "in Ordnung",
}  # fmt: skip
CODES = {
    "technology": {"hps": "NAV", "mh": "Halogen-Metalldampf", "led": "LED"},
    "kind": {
        **_KINDS, "overhead": "Freileitung", "underground_direct": "erdverlegt",
        "underground_duct": "im Schutzrohr", "night": "Nacht", "day": "Tag"},
    "type": {
        "hps": "NAV", "mh": "Halogen-Metalldampf", "led": "LED",
        "thermal": "thermisch", "electronic": "elektronisch",
        "long_life": "langlebig", "any": "universell", "steel": "Stahl"},
    "feed": {"underground": "Erdkabel", "overhead": "Freileitung"},
    "control": {"own": "Einzelschaltung", "group": "Gruppenschaltung"},
    "symptom": _SYMPTOMS, "symptom_found": _SYMPTOMS, "state": _SYMPTOMS,
    "danger": {
        "exposed_wires": "blanke Drähte", "down": "Mast umgestürzt",
        "leaning": "Mast steht schief", "hanging": "hängt herab", "smoke": "Rauch",
        "shock": "Stromschlag", "door_open": "Masttür offen"},
    "cause": {
        **_KINDS, "cable_fault": "Kabelfehler", "line_fault": "Freileitungsschaden",
        "supply": "Netzausfall", "knockdown": "Verkehrsunfall",
        "vandalism": "Vandalismus", "theft": "Diebstahl", "programme":
        "Umrüstprogramm", "customer": "Kundenanlage", "none": "keine",
        "unknown": "unbekannt"},
    "action": {
        "replaced": "ersetzt", "repaired": "instandgesetzt",
        "reset": "wieder eingeschaltet", "converted": "umgerüstet",
        "made_safe": "gesichert", "removed": "demontiert",
        "no_fault_found": "kein Fehler gefunden", "follow_up": "Folgearbeit nötig"},
    "component": _KINDS,
    "proven": {
        "cover_test": "Abdeckprobe", "seen_lit": "leuchtend gesehen",
        "not_proven": "nicht geprüft"},
    "made_safe": {"yes": "ja", "no": "nein"},
    "follow_up": {
        "dig": "Tiefbau", "pole": "Mast", "other_utility": "fremder Netzbetreiber",
        "customer": "Kunde", "tree": "Baumschnitt",
        "verify_at_night": "Nachtkontrolle", "parts": "Ersatzteile"},
    "class": {"arterial": "Hauptstraße", "collector": "Sammelstraße",
              "residential": "Wohnstraße"},
    "one_way": {"true": "ja", "false": "nein"},
}  # fmt: skip
"""Our column to our codes to theirs."""

_DATES = {
    "in_service", "removed_on", "installed_on", "received_at", "performed_at",
    "recorded_at", "temporary_feed_until", "started_at", "seen_at", "date", "due_on",
    "removed_date_code",
}  # fmt: skip


def day_first(text: str) -> str:
    """Write an ISO date, month, year or time as a German office does."""
    day, _, clock = text.partition("T")
    return ".".join(reversed(day.split("-"))) + (f" {clock}" if clock else "")


def foreign(resource: str, column: str, text: str) -> str:
    """Write one of our values as the other utility does."""
    if not text:
        return ""
    if column in CODES:
        return CODES[column].get(text, text)
    if column in _DATES:
        return day_first(text)
    if resource == "sections" and column == "length_m":
        return f"{float(text) * FT_PER_M:.12g}"
    return text


def _table(package: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(package / f"{name}.csv", dtype=str, keep_default_na=False)


def _renamed(name: str, table: pd.DataFrame) -> pd.DataFrame:
    named = NAMES[name][1]
    for column in table.columns:
        values = {text: foreign(name, column, text) for text in table[column].unique()}
        table[column] = table[column].map(values)
    return table[[column for column in named if column in table]].rename(columns=named)


def _csv(folder: Path, package: Path, name: str) -> None:
    path = folder / NAMES[name][0]
    table = _renamed(name, _table(package, name))
    numbers = {"weather", "models"}
    if name in numbers:
        table = table.map(lambda x: x.replace(".", ",") if _is_decimal(x) else x)
    table.to_csv(path, index=False, sep=";", encoding="latin-1", lineterminator="\r\n")


def _is_decimal(text: str) -> bool:
    whole, _, part = text.partition(".")
    return whole.lstrip("-").isdigit() and part.isdigit() and text.count(".") == 1


def _workbook(folder: Path, package: Path) -> None:
    table = _table(package, "repairs")
    times = {name: table[name].copy() for name in ("performed_at", "recorded_at")}
    theirs = _renamed("repairs", table)
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Aufträge"
    sheet.append(["Arbeitsaufträge Straßenbeleuchtung"])
    sheet.merge_cells("A1:F1")
    sheet.append([])
    sheet.append(list(theirs.columns))
    for i, row in enumerate(theirs.itertuples(index=False)):
        cells: list[object] = [text or None for text in row]
        for name in times:
            at = times[name].iloc[i]
            column = list(theirs.columns).index(NAMES["repairs"][1][name])
            cells[column] = datetime.fromisoformat(at) if at else None
        volts = list(theirs.columns).index("Spannung gemessen")
        cells[volts] = float(str(cells[volts])) if cells[volts] else None
        sheet.append(cells)
    book.create_sheet("Legende").append(["Stand: Herbst"])
    book.save(folder / NAMES["repairs"][0])


def _places(folder: Path, package: Path) -> None:
    path = folder / "Netz.gpkg"
    lights = _table(package, "lights")
    at = {
        row.light_id: (float(row.longitude), float(row.latitude))
        for row in lights.itertuples()
    }
    points = gpd.points_from_xy(
        lights["longitude"].astype(float), lights["latitude"].astype(float)
    )
    frame = gpd.GeoDataFrame(_renamed("lights", lights), geometry=points, crs=4326)
    sections = _table(package, "sections")
    fed = lights.groupby("section_id")["light_id"].first()
    some = next(iter(at.values()))
    lines = []
    for section in sections["section_id"]:
        x, y = at.get(fed.get(section, ""), some)
        lines.append(LineString([(x, y), (x + 0.0005, y + 0.0001)]))
    cables = gpd.GeoDataFrame(_renamed("sections", sections), geometry=lines, crs=4326)
    cables["Kabellänge"] = cables["Kabellänge"].astype(float)
    loaded = json.loads((package / "roads.geojson").read_text("utf-8"))["features"]
    table = pd.DataFrame([one["properties"] for one in loaded])
    table["one_way"] = table["one_way"].map({True: "true", False: "false"})
    speeds = table["speed_kmh"].copy()
    shapes = [LineString(one["geometry"]["coordinates"]) for one in loaded]
    streets = gpd.GeoDataFrame(_renamed("roads", table), geometry=shapes, crs=4326)
    streets["Tempolimit"] = speeds
    for name, one in (("lights", frame), ("sections", cables), ("roads", streets)):
        one.to_crs(FEET).to_file(path, layer=LAYERS[name], driver="GPKG")


def write_foreign(package: Path, folder: Path) -> Path:
    """Write a standard package as the other utility's folder."""
    folder.mkdir()
    for name in NAMES:
        if name not in ("lights", "sections", "roads", "repairs"):
            _csv(folder, package, name)
    _workbook(folder, package)
    _places(folder, package)
    return folder
