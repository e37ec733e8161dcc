// Finding a light, its card with the form, and the receipt.

import * as device from "./device.js";
import * as registry from "./register.js";
import { flush } from "./sending.js";
import { repairForm } from "./form.js";
import { TESTS, testBox } from "./testing.js";
import { clockTime, h, said, sentence, show } from "./dom.js";

const HERE_M = 150;
const HOUR_MS = 3600000;
let place = null;

export const title = (light, id) => light?.pole_id || light?.light_id || id;
export const lightPath = (id) => `/lights/${encodeURIComponent(id)}`;

let logged = new Map();

// Lights on which this device has logged work since their trouble began.
async function recall() {
  const counts = (record) => ["waiting", "sent"].includes(record.state)
    && !["made_safe", ...TESTS].includes(record.values.action) && record.values.made_safe !== "yes";
  logged = new Map((await device.all()).filter(counts).map((record) => [record.values.light_id, record]));
}

function openTrouble(light) {
  const trouble = registry.register().open.get(light.light_id);
  const since = trouble && Date.parse(trouble.since);
  const work = logged.get(light.light_id);
  if (!work || !trouble) return { trouble };
  return Date.parse(work.values.performed_at) > since ? { done: work } : { trouble };
}

function line({ light, away }) {
  const { trouble, done } = openTrouble(light);
  return h("li", {}, h("a", { href: lightPath(light.light_id) },
    h("b", {}, title(light)),
    h("span", {}, [light.light_id, light.road].filter(Boolean).join(", ")),
    trouble && h("em", { class: "open" }, said(trouble.symptom)),
    done && h("em", { class: "logged" }, "logged"),
    light.not_ours && h("em", { class: "others" }, "not ours"),
    away !== null && h("i", {}, `${Math.round(away)} m`)));
}

const list = (found) => h("ul", { class: "lights" }, found.map(line));

function position() {
  return new Promise((resolve, reject) => {
    if (!navigator.geolocation) reject(new Error("this device gives no position"));
    else navigator.geolocation.getCurrentPosition(
      (fix) => resolve({ latitude: fix.coords.latitude, longitude: fix.coords.longitude, accuracy: fix.coords.accuracy }),
      (error) => reject(error), { enableHighAccuracy: true, timeout: 15000, maximumAge: 15000 });
  });
}

export async function home(main) {
  await recall();
  const results = h("section", { "aria-live": "polite" });
  const query = h("input", {
    id: "q", name: "q", type: "search", autocomplete: "off", autocapitalize: "characters",
    enterkeyhint: "search", oninput: () => look(),
  });
  const nearButton = h("button", { type: "button", class: "wide", id: "near", onclick: () => nearest() }, "Nearest lights");
  const asOf = registry.register().as_of;

  function look() {
    const text = query.value.trim();
    if (!text) return openNow();
    const found = registry.search(text);
    return show(results, h("h2", {}, "Found"), found.length ? list(found) : none(text));
  }
  function none(text) {
    return [h("p", { class: "note" }, "No light on this device has a tag or road like that."),
      h("a", { class: "button", href: lightPath(text.toUpperCase()) }, `Log a repair at "${text.toUpperCase()}" all the same`)];
  }
  function openNow() {
    const found = registry.openNow();
    show(results, h("h2", {}, "Open now"), found.length ? list(found) : h("p", { class: "note" }, registry.register().not_known || "Nothing is open."));
  }
  async function nearest() {
    show(results, h("p", { class: "note" }, "Finding where you are…"));
    try {
      place = await position();
      if (query.value.trim()) return;
      show(results, h("h2", {}, "Nearest", h("small", {}, `position to within ${Math.round(place.accuracy)} m: read the tag on the pole`)), list(registry.near(place)));
    } catch (error) {
      openNow();
      results.prepend(h("p", { class: "note", role: "alert" }, `No position (${error.message || "refused"}): type the tag or the road.`));
    }
  }

  show(main, h("h1", {}, "Find the light"),
    h("form", { class: "find", role: "search", onsubmit: (event) => { event.preventDefault(); look(); query.blur(); } },
      h("label", { for: "q" }, "Tag or road"), query, h("button", { type: "submit" }, "Find")),
    nearButton, results,
    h("p", { class: "note" }, `Register on this device: as of ${clockTime(Date.parse(asOf))}.`));
  openNow();
  navigator.permissions?.query({ name: "geolocation" }).then(
    (found) => { if (found.state === "granted" && !query.value) nearest(); }, () => {});
}

function troubleBox(trouble) {
  if (!trouble) return null;
  const danger = trouble.danger.map(said).join(", ");
  const bring = trouble.bring ? `; bring ${said(trouble.bring.kind)} ${trouble.bring.model}` : "";
  const test = trouble.next ? ` ${trouble.next}` : "";
  return h("p", { class: "open" },
    danger && h("strong", {}, `DANGER reported: ${danger}. Make safe first. `),
    h("strong", {}, sentence(said(trouble.symptom))),
    ` since ${trouble.since.slice(0, 10)}. ${trouble.said}${bring}.${test}`);
}

function feedLine(light) {
  const { circuit } = light;
  if (!circuit.circuit_id) return null;
  const said = [`Circuit ${circuit.circuit_id}${circuit.source ? ` from ${circuit.source}` : ""}`, circuit.feed || "feed not on record"];
  if (circuit.voltage) said.push(`${Math.round(circuit.voltage)} V`);
  if (circuit.control === "group") said.push("group photocontrol");
  return h("p", { class: "feed" }, `${said.join(", ")}.`);
}

function heading(light, id) {
  return h("h1", {}, title(light, id), h("small", {}, light ? [light.light_id, light.road].filter(Boolean).join(", ") : "not in the register on this device"));
}

// The values of a record to correct: this device's own, the office's, or the extract's.
async function original(key, light) {
  const own = await device.one(key);
  if (own) return own.values;
  try {
    const reply = await fetch(`/api/repairs/${encodeURIComponent(key)}`, { cache: "no-store", signal: AbortSignal.timeout(4000) });
    if (reply.ok) return await reply.json();
  } catch { /* no signal: what the extract holds must do */ }
  const told = light?.last().find((one) => one.repair_id === key);
  return told ? { ...told, partial: true } : { partial: true };
}

export async function lightView(main, id, { corrects = "", mends = "" }, go) {
  const light = registry.register().byId.get(id) ?? null;
  await recall();
  const trouble = (light && openTrouble(light).trouble) ?? null;
  const mended = mends ? await device.one(mends) : null;
  const old = mended ? mended.values : corrects ? await original(corrects, light) : {};
  // Only where another record is named does a new one take its place: else the key stays.
  const conflict = Boolean(mended?.problem?.on_record);
  const fresh = conflict || !mended;
  const key = fresh ? device.newKey() : mends;
  const supersedes = corrects || (conflict ? mended.problem.on_record : mended?.values.supersedes ?? "");
  const form = repairForm({
    lightId: old.light_id ?? id, light, trouble, old, supersedes, key,
    label: corrects ? "Save correction" : mends ? "Save and send again" : "",
    save: async (values) => {
      if (!fresh) await mend(key, values);
      else await device.add({ repair_id: key, values, state: "waiting", made: Date.now() });
      if (conflict) await device.change(mends, (record) => ({ ...record, state: "aside", note: `replaced by ${key}` }));
      go(`/receipts/${key}`);
      flush().catch(() => {});
    },
  });
  show(main, heading(light, id),
    light?.not_ours && h("p", { class: "warn" }, h("strong", {}, "Not ours. "), light.not_ours),
    !light && h("p", { class: "warn" }, "This tag is not in the register on this device. The record will be kept; the office may ask you to mend it."),
    mended && h("p", { class: "warn" }, h("strong", {}, "Refused: "), mended.problem?.detail ?? ""),
    corrects && h("p", { class: "warn" }, "Correcting a record: the new one takes its place, the old one stays on file.", old.partial ? " Only part of it is on this device: check every line." : ""),
    troubleBox(trouble), !old.action && testBox(trouble, id, () => lightView(main, id, {}, go)), light && feedLine(light), !old.action && (await justNow(id)), form, light && (await about(light)));
}

// What this device logged here within the hour: a second record is a second repair.
async function justNow(id) {
  const recent = (await device.all()).filter((record) => record.values.light_id === id && !TESTS.includes(record.values.action) && Date.now() - record.made < HOUR_MS);
  const last = recent.at(-1);
  return last && h("p", { class: "warn" }, h("strong", {}, "Logged here already: "),
    `${said(last.values.component ?? last.values.cause ?? "")} ${said(last.values.action)}, ${clockTime(last.made)} (${STATES[last.state]}). Another record counts as another repair; to change it, correct it. `,
    h("a", { href: `/receipts/${last.repair_id}` }, "See it"));
}

async function mend(key, values) {
  const done = await device.change(key, (record) => (["refused", "aside"].includes(record.state)
    ? { ...record, values, state: "waiting", problem: null, made: Date.now() } : null));
  if (!done) throw new Error("it was sent meanwhile from another tab");
}

const STATES = { waiting: "saved here, waiting", sent: "received by the office", refused: "refused", aside: "set aside" };

async function about(light) {
  const onRecord = new Set(light.last().map((row) => row.repair_id));
  const own = (await device.all()).filter((record) => record.values.light_id === light.light_id && !onRecord.has(record.repair_id)).reverse();
  const parts = light.parts().filter((part) => part.model);
  const corrected = (key) => h("a", { href: `${lightPath(light.light_id)}?corrects=${encodeURIComponent(key)}` }, "Correct this");
  const told = (row) => [`${row.performed_at.slice(0, 10)} `, h("b", {}, said(row.component || row.cause || "")), ` ${said(row.action)} ${row.fitted_model ?? ""}`];
  return h("section", {},
    h("h2", {}, "Fitted now"),
    h("ul", { class: "plain" }, parts.length
      ? parts.map((part) => h("li", {}, h("b", {}, sentence(said(part.kind))), ` ${part.model}${part.months === null ? "" : `, ${registry.age(part.months)}`}`))
      : h("li", {}, "Nothing on record.")),
    h("h2", {}, "Last repairs"),
    h("ul", { class: "plain" },
      own.map((record) => h("li", {}, told(record.values), record.values.notes ? `: ${record.values.notes}` : "", h("small", {}, ` (${STATES[record.state]})`))),
      light.last().map((row) => h("li", {}, told(row), h("br"), corrected(row.repair_id))),
      !own.length && !light.packed.length && h("li", {}, "None on record.")));
}

export async function receipt(main, key) {
  const record = await device.one(key);
  if (!record) return officeReceipt(main, key);
  const { values } = record;
  const light = registry.register().byId.get(values.light_id);
  const others = place && light ? registry.near(light, 30).filter(({ light: one, away }) => away <= HERE_M && one !== light && registry.register().open.has(one.light_id)) : [];
  const unproven = !values.proven || values.proven === "not_proven";
  show(main,
    h("p", { class: "status", role: "status", "data-state": record.state }, statusOf(record)),
    h("h1", {}, title(light, values.light_id), h("small", {}, `${said(values.component ?? values.cause ?? "")} ${said(values.action)} ${values.fitted_model ?? ""}`)),
    h("p", {}, `Before you leave: cover on and locked, temporary feed tagged.${unproven ? " Not proven: see it lit at night." : ""}`),
    record.state === "refused"
      ? h("a", { class: "button wide", href: `${lightPath(values.light_id)}?mends=${key}` }, "Mend and send again")
      : h("a", { class: "button wide", href: `${lightPath(values.light_id)}?corrects=${key}` }, "Correct this"),
    h("a", { class: "button wide", href: "/" }, "Next light"),
    others.length ? h("h2", {}, "Also open within 150 m") : null,
    others.length ? list(others) : null);
}

async function officeReceipt(main, key) {
  try {
    const reply = await fetch(`/api/repairs/${encodeURIComponent(key)}`, { cache: "no-store" });
    if (!reply.ok) throw new Error("not on record");
    const row = await reply.json();
    show(main, h("p", { class: "status", "data-state": "sent" }, "Received by the office"),
      h("h1", {}, row.light_id || row.circuit_id, h("small", {}, `${said(row.component || row.cause)} ${said(row.action)} ${row.fitted_model}`)),
      row.light_id && h("a", { class: "button wide", href: `${lightPath(row.light_id)}?corrects=${encodeURIComponent(key)}` }, "Correct this"),
      h("a", { class: "button wide", href: "/" }, "Next light"));
  } catch {
    show(main, h("p", { class: "note" }, "That record is not on this device, and the office cannot be asked now."), h("a", { class: "button", href: "/queue" }, "Records on this device"));
  }
}

export function statusOf(record) {
  switch (record.state) {
    case "sent": return `✓ Received by the office, ${clockTime(record.received)}`;
    case "refused": return "The office refused it: mend it or set it aside. It is still on this device.";
    case "aside": return `Set aside on this device, not sent${record.note ? ` (${record.note})` : ""}`;
    default: return `✓ Saved on this device. ${record.tries ? `Not with the office yet: ${record.trouble}. It is sent again by itself.` : "Sending to the office…"}`;
  }
}
