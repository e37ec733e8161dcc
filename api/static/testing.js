// A test of voltage on a shared fault: logged like any record, also with no signal,
// and the verdict updated as soon as the office has it.

import * as device from "./device.js";
import { register, renew } from "./register.js";
import { flush } from "./sending.js";
import { CREW, withOffset } from "./form.js";
import { h } from "./dom.js";

const BUTTONS = { live: "Live at", dead: "Dead at", could_not_open: "Could not open" };
const ACTIONS = { live: "tested_live", dead: "tested_dead", could_not_open: "could_not_open" };
export const TESTS = ["follow_up", ...Object.values(ACTIONS)];
const LIVE_VOLTS = 50;
let last = null; // what was logged here: its key, place, circuit, and what to say of it

// The record that a button makes; null where the volts typed do not go with it.
function recordOf(kind, values, typed) {
  const told = { ...values };
  if (kind !== "could_not_open" && typed) {
    if ((Number(typed) >= LIVE_VOLTS) !== (kind === "live")) return null;
    told.volts = typed;
  }
  const crew = localStorage.getItem(CREW);
  return { ...told, ...(crew && { crew }), repair_id: device.newKey(), performed_at: withOffset(new Date()) };
}

// Draw anew, with what became of the press in view.
async function seen(redraw) {
  await redraw();
  document.querySelector("main .status")?.scrollIntoView({ block: "center" });
}

async function keep(values, circuit, note, redraw) {
  await device.add({ repair_id: values.repair_id, values, state: "waiting", made: Date.now() });
  last = { key: values.repair_id, circuit, note, values, state: "waiting" };
  const mine = last;
  let stop = () => {};
  const hear = async () => {
    const record = await device.one(mine.key);
    if (mine.state !== "waiting" || !record || record.state === "waiting") return;
    mine.state = record.state;
    stop();
    if (record.state === "sent") await renew(circuit).then(() => { mine.judged = true; }, () => {});
    if (mine === last && location.pathname.startsWith("/lights/")) seen(redraw);
  };
  stop = device.onChange(hear);
  seen(redraw);
  flush().catch(() => {});
}

function sayLast() {
  switch (last.state) {
    case "sent": return last.judged ? "Received by the office. The verdict is updated." : "Received by the office.";
    case "waiting": return "Saved on this device. The verdict is updated once the office has it.";
    default: return "The office refused it: see Records.";
  }
}

function lastBox(circuit, redraw) {
  if (last?.circuit !== circuit) return null;
  const back = { ...last.values, action: "follow_up", repair_id: device.newKey(), supersedes: last.key, notes: `taken back: ${last.note}` };
  delete back.volts;
  return h("div", { class: "status", role: "status", "data-state": last.state }, `${last.note}. ${sayLast()} `,
    !last.values.supersedes && h("button", { type: "button", class: "back", onclick: () => keep(back, circuit, `Taken back: ${last.note}`, redraw) }, "That was wrong: take it back"));
}

function buttons(readings, at, press) {
  return h("div", { class: "readings" }, Object.entries(BUTTONS).map(([kind, label]) =>
    h("button", { type: "button", class: `reading ${kind}`, onclick: () => press(kind, readings[kind], at) }, `${label} ${at}`)));
}

export function testBox(trouble, lightId, redraw) {
  const circuit = trouble?.circuit_id ?? register().byId.get(lightId)?.circuit.circuit_id;
  const readings = trouble?.readings;
  if (!readings) return circuit ? lastBox(circuit, redraw) : null;
  const { where } = trouble.test_first;
  const volts = h("input", { id: "volts-read", type: "number", min: 0, step: "any", inputmode: "decimal", autocomplete: "off" });
  const problem = h("p", { class: "problem", role: "alert", hidden: true });
  let pressed = false;
  const press = async (kind, logs, at) => {
    if (pressed) return;
    const values = recordOf(kind, logs, volts.value);
    problem.hidden = Boolean(values);
    problem.textContent = values ? "" : `The volts typed do not go with the button: ${LIVE_VOLTS} or more is live, less is dead.`;
    if (!values) return;
    pressed = true;
    const note = `${BUTTONS[kind]} ${at}`;
    try {
      await keep(values, circuit, note, redraw);
    } catch (error) {
      pressed = false;
      problem.textContent = `NOT saved on this device: ${error.message}. Write it down, or try again.`;
      problem.hidden = false;
    }
  };
  const light = register().byId.get(lightId);
  const elsewhere = readings.live.light_id !== lightId;
  const here = Object.fromEntries(Object.entries(ACTIONS).map(([kind, action]) => [kind, { action, light_id: lightId }]));
  const silent = trouble.not_heard_from.length;
  return h("section", { class: "test", "aria-labelledby": "test" },
    lastBox(circuit, redraw),
    h("h2", { id: "test" }, `Tested at ${where}?`),
    h("ul", {}, register().reading_cautions.map((line) => h("li", {}, line))),
    h("label", { class: "field", for: "volts-read" }, "Volts read", h("small", {}, "may be left blank"), volts),
    problem,
    buttons(readings, trouble.test_at, press),
    elsewhere && h("details", { class: "plain-more" }, h("summary", {}, "Tested at this pole instead"), buttons(here, light?.pole_id || lightId, press)),
    h("ul", { class: "plain evidence" }, (trouble.why ?? []).map((line) => h("li", {}, line)),
      trouble.dark_since && h("li", {}, `dark since about ${trouble.dark_since}`),
      silent > 0 && h("li", {}, `not heard from: ${silent} more on this stretch, probably dark too`),
      h("li", {}, `what would change this: ${trouble.would_change}`)),
    h("details", { class: "plain-more" }, h("summary", {}, "Before work"),
      h("ol", {}, register().before_work[String(trouble.underground)].map((line) => h("li", {}, line)))),
    h("details", { class: "plain-more" }, h("summary", {}, "Wrong circuit or section?"),
      h("p", {}, "Tell the desk: it amends the light's row from a date on, and the history stays: ",
        h("code", {}, `lightwatch amend ${lightId} circuit_id=… section_id=…`))));
}
