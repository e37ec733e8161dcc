// Every record on this device: refused, waiting, set aside, received. None is dropped.

import * as device from "./device.js";
import { register } from "./register.js";
import { flush } from "./sending.js";
import { clockTime, h, said, show } from "./dom.js";
import { TESTS } from "./testing.js";
import { lightPath, statusOf, title } from "./views.js";

const RECEIVED_SHOWN = 50;

function reasons(problem) {
  if (!problem) return null;
  const told = (problem.errors ?? []).map((one) => h("li", {}, `${one.what} (expected ${one.expected})`));
  return [h("strong", {}, problem.detail ?? problem.title), told.length ? h("ul", {}, told) : null];
}

function entry(record) {
  const { values } = record;
  const at = lightPath(values.light_id ?? "");
  const key = encodeURIComponent(record.repair_id);
  const aside = (state) => device.change(record.repair_id, (now) => (now.state === record.state ? { ...now, state } : null));
  return h("li", { "data-key": record.repair_id, "data-state": record.state },
    h("b", {}, title(register()?.byId.get(values.light_id), values.light_id ?? values.section_id ?? values.circuit_id)), " ",
    `${said(values.component ?? values.cause ?? "")} ${said(values.action)} ${values.fitted_model ?? values.notes ?? ""}, ${clockTime(record.made)}`,
    h("br"), h("small", {}, statusOf(record)),
    record.state === "refused" && h("div", { class: "warn" }, reasons(record.problem)),
    values.light_id && ["refused", "aside"].includes(record.state) && h("p", {}, h("a", { class: "button", href: `${at}?mends=${key}` }, "Mend and send again"), " "),
    record.state === "refused" && h("button", { type: "button", onclick: () => aside("aside") }, "Set aside"),
    record.state === "aside" && h("button", { type: "button", onclick: () => aside("waiting").then(() => flush()) }, "Send as it is"),
    values.light_id && !TESTS.includes(values.action) && record.state === "sent" && h("a", { href: `${at}?corrects=${key}` }, "Correct this"));
}

function group(name, records) {
  if (!records.length) return null;
  return [h("h2", {}, `${name} (${records.length})`), h("ul", { class: "plain" }, records.map(entry))];
}

export async function queue(main) {
  const records = await device.all();
  const of = (state) => records.filter((record) => record.state === state);
  const waiting = of("waiting");
  show(main, h("h1", {}, "Records on this device"),
    group("Refused: mend these", of("refused")),
    group("Saved here, waiting for the office", waiting),
    waiting.length ? h("button", { type: "button", class: "wide", onclick: () => flush() }, "Send now") : null,
    group("Set aside", of("aside")),
    group("Received by the office", of("sent").reverse().slice(0, RECEIVED_SHOWN)),
    records.length ? null : h("p", { class: "note" }, "None yet."));
}

export async function tellState(pill) {
  const records = await device.all();
  const count = (state) => records.filter((record) => record.state === state).length;
  const [refused, waiting, aside] = [count("refused"), count("waiting"), count("aside")];
  pill.hidden = false;
  pill.dataset.state = refused ? "refused" : waiting ? "waiting" : "sent";
  const rest = aside ? ["All sent", `but ${aside} set aside`] : ["All received", "by the office"];
  const all = records.length ? rest : ["Ready", "nothing waits here"];
  const [said, more] = waiting ? [`${waiting} saved here`, "waiting for the office"] : all;
  if (!refused) pill.replaceChildren(said, h("small", {}, more));
  else pill.replaceChildren(`${refused} refused: mend`, waiting ? h("small", {}, `${said}, waiting`) : "");
}
