// The register extract on this device: finding a light, and what is known of it.

import * as device from "./device.js";

const EARTH_RADIUS_M = 6371008.8;
const STALE_MS = 60000;
const FORMAT = 2;
let extract = null;
let fetched = 0;

const LIGHT = ["light_id", "pole_id", "longitude", "latitude", "road", "circuit", "section_id", "technology", "not_ours", "fitted", "repairs"];

function unpack(text) {
  const plain = JSON.parse(text);
  const { words, roads, parts } = plain;
  const part = ([number, months]) => ({ kind: parts[number][0], model: parts[number][1], months });
  plain.circuits = plain.circuits.map(([circuit_id, feed, voltage, control, source, fitted]) => ({
    circuit_id, feed, voltage, control, source, fitted: fitted.map(part),
  }));
  plain.models = plain.models.map(([model, kind, type, maker, low, high]) => ({ model, kind, type, maker, low, high }));
  plain.byId = new Map();
  plain.lights = plain.lights.map((row) => {
    const light = Object.fromEntries(LIGHT.map((name, i) => [name, row[i]]));
    light.road = roads[light.road];
    light.circuit = plain.circuits[light.circuit];
    light.technology = words[light.technology];
    light.not_ours = words[light.not_ours];
    light.packed = light.repairs;
    light.parts = () => light.fitted.map(part);
    light.last = () => light.packed.map((told) => Object.fromEntries(
      plain.repair_columns.map((name, i) => [name, i < 2 ? told[i] : words[told[i]]]),
    ));
    light.wanted = `${light.light_id} ${light.pole_id}`.toLowerCase();
    plain.byId.set(light.light_id, light);
    return light;
  });
  return opened(plain);
}

function opened(plain) {
  plain.open = new Map();
  for (const trouble of plain.troubles) {
    for (const id of trouble.light_ids) if (!plain.open.has(id)) plain.open.set(id, trouble);
  }
  return plain;
}

// Ask the office how it judges one circuit now, and keep that until the next extract.
export async function renew(circuit) {
  const reply = await fetch(`/api/troubles?circuit=${encodeURIComponent(circuit)}`, { cache: "no-store" });
  if (!reply.ok) throw new Error(`the office answered ${reply.status}`);
  const { troubles } = await reply.json();
  extract.troubles = [...troubles, ...extract.troubles.filter((one) => one.circuit_id !== circuit)];
  opened(extract);
}

export const register = () => extract;

export async function load() {
  const stored = await device.kept("extract");
  const plain = stored && unpack(stored.text);
  if (plain?.format === FORMAT) extract = plain;
  return extract;
}

// Fetch the extract if the office has a newer one; true if there is news.
export async function refresh(force = false) {
  if (!force && extract && Date.now() - fetched < STALE_MS) return false;
  const stored = await device.kept("extract");
  const headers = stored && extract ? { "If-None-Match": stored.tag } : {};
  const reply = await fetch("/api/extract", { headers, cache: "no-store" });
  fetched = Date.now();
  if (reply.status === 304 || !reply.ok) return false;
  const text = await reply.text();
  const next = unpack(text);
  await device.keep("extract", { text, tag: reply.headers.get("ETag") ?? "" });
  extract = next;
  return true;
}

export function distance(light, place) {
  const radians = Math.PI / 180;
  const north = (light.latitude - place.latitude) * radians;
  const east = (light.longitude - place.longitude) * radians;
  const half = Math.sin(north / 2) ** 2
    + Math.cos(light.latitude * radians) * Math.cos(place.latitude * radians) * Math.sin(east / 2) ** 2;
  return 2 * EARTH_RADIUS_M * Math.asin(Math.sqrt(Math.min(1, half)));
}

export function near(place, most = 12) {
  return extract.lights
    .map((light) => ({ light, away: distance(light, place) }))
    .sort((a, b) => a.away - b.away)
    .slice(0, most);
}

// By tag: the same, then beginning, then containing; then by road name.
export function search(text, most = 20) {
  const wanted = text.trim().toLowerCase();
  if (!wanted) return [];
  const found = [[], [], [], [], []];
  for (const light of extract.lights) {
    const id = light.light_id.toLowerCase();
    const pole = light.pole_id.toLowerCase();
    if (id === wanted) found[0].push(light);
    else if (pole === wanted) found[1].push(light);
    else if (id.startsWith(wanted) || pole.startsWith(wanted)) found[2].push(light);
    else if (light.wanted.includes(wanted)) found[3].push(light);
    else if (light.road.toLowerCase().includes(wanted)) found[4].push(light);
  }
  return found.flat().slice(0, most).map((light) => ({ light, away: null }));
}

export function openNow(most = 20) {
  const ids = extract.troubles.flatMap((trouble) => trouble.reported);
  return [...new Set(ids)].filter((id) => extract.byId.has(id)).slice(0, most)
    .map((id) => ({ light: extract.byId.get(id), away: null }));
}

export function feeds(section) {
  const way = [];
  for (let at = section; at && !way.includes(at); at = extract.upstream[at]) way.push(at);
  return way;
}

export function age(months) {
  if (months === null) return "";
  const now = new Date();
  const years = (now.getFullYear() - 2000) + (now.getMonth() - months) / 12;
  return years < 1 ? "under 1 y" : `${Math.floor(years)} y`;
}
