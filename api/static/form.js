// The form that logs a repair: the server's own form, made quicker for one light.

import * as device from "./device.js";
import { age, feeds, register } from "./register.js";
import { h, said, sentence } from "./dom.js";

const SHARED_LIFE = ["lamp", "ballast", "ignitor", "driver", "led_module"];
export const CREW = "crew";

function localTime(text) {
  if (!text) return "";
  const at = new Date(text);
  if (Number.isNaN(at.valueOf())) return text.slice(0, 16);
  return new Date(at - at.getTimezoneOffset() * 60000).toISOString().slice(0, 16);
}

export function withOffset(at) {
  const ahead = -at.getTimezoneOffset();
  const two = (number) => String(Math.floor(Math.abs(number))).padStart(2, "0");
  const wall = new Date(at.valueOf() + ahead * 60000).toISOString().slice(0, 19);
  return `${wall}${ahead < 0 ? "-" : "+"}${two(ahead / 60)}:${two(ahead % 60)}`;
}

// What hangs on a light, by kind, with the note that its button shows.
function fittedNotes(light) {
  const notes = new Map();
  const own = light ? light.parts() : [];
  const group = light && light.circuit.control === "group" ? light.circuit.fitted : [];
  for (const part of own) notes.set(part.kind, [part.model, part.model && age(part.months)].filter(Boolean).join(", "));
  for (const part of group) if (!notes.has(part.kind)) notes.set(part.kind, `group, ${part.model}`);
  return notes;
}

function sortJobs(form, light, trouble) {
  const notes = fittedNotes(light);
  const first = form.querySelector(".chips.first");
  const rest = form.querySelector(".chips.rest");
  const likely = trouble?.bring?.kind;
  const order = Object.keys(register().jobs);
  const chips = new Map([...form.querySelectorAll("[data-what]")].map((chip) => [chip.dataset.what, chip]));
  const none = chips.get("none");
  for (const chip of chips.values()) rest.append(chip);
  for (const [kind, note] of [...notes].sort(([a], [b]) => (b === likely) - (a === likely) || order.indexOf(a) - order.indexOf(b))) {
    const chip = chips.get(kind);
    chip.querySelector("small").textContent = kind === likely ? `${note} (likeliest)` : note;
    first.append(chip);
  }
  first.append(none);
  form.querySelector(".others").open = !notes.size;
}

function wrongVolts(model, light) {
  const volts = light?.circuit.voltage;
  if (!volts) return "";
  const outside = (model.low !== null && volts < model.low) || (model.high !== null && volts > model.high);
  return outside ? `${model.low}–${model.high} V, circuit is ${volts} V` : "";
}

function rank(model, light, there) {
  if (there.has(model.model)) return 0;
  return ["any", light?.technology].includes(model.type) || model.kind === "photocontrol" ? 1 : 2;
}

function modelChips(form, light, what, chosen) {
  const { models } = register();
  const whole = what === "luminaire";
  const kinds = whole ? SHARED_LIFE : [what];
  const there = new Set([...(light?.parts() ?? []), ...(light?.circuit.fitted ?? [])].map((part) => part.model));
  const fits = models.filter((model) => kinds.includes(model.kind))
    .sort((a, b) => rank(a, light, there) - rank(b, light, there));
  const box = form.querySelector(".fitted");
  box.hidden = !fits.length;
  const kind = whole ? "checkbox" : "radio";
  const chip = (value, label, note, bad) => h("label", { class: "chip" },
    h("input", { type: kind, name: "fitted_model", value, checked: chosen.includes(value) && value !== "", required: !whole }),
    h("span", {}, label, note && h("small", {}, note), bad && h("small", { class: "bad" }, bad)));
  const chips = fits.map((model) => chip(model.model, model.model,
    [said(model.type), there.has(model.model) && "as was there"].filter(Boolean).join(", "), wrongVolts(model, light)));
  const usual = chips.slice(0, 6);
  const more = chips.slice(6);
  box.replaceChildren(h("legend", {}, whole ? "New driver, module or lamp and gear" : "New part"),
    h("div", { class: "chips" }, usual, whole || !fits.length ? [] : chip("", "Model not read", "")),
    more.length ? h("details", { class: "others" }, h("summary", {}, "Other models"), h("div", { class: "chips" }, more)) : "");
}

function follow(form, light, chosen) {
  const what = form.elements.what.value;
  const swaps = register().jobs[what]?.action === "replaced";
  if (swaps) modelChips(form, light, what, chosen);
  else form.querySelector(".fitted").replaceChildren();
  form.querySelector(".fitted").hidden = !swaps || !form.querySelector(".fitted .chip");
  form.classList.toggle("chosen", Boolean(what));
  form.querySelector(".section").hidden = !["cable", "line"].includes(what);
  form.querySelector(".safe").hidden = !what || what === "made_safe" || what === "none";
  form.querySelector(".proven").hidden = !what || what === "made_safe";
  for (const input of form.querySelectorAll("[name=proven]")) input.required = Boolean(what) && what !== "made_safe";
}

// Bring the next question into view, so that one hand need not scroll.
function next(form) {
  const asked = [".fitted", ".section", ".proven", ".more"].map((name) => form.querySelector(name));
  asked.find((box) => !box.hidden)?.scrollIntoView({ block: "start" });
}

function sections(form, light, trouble, chosen) {
  const odds = new Map(trouble?.sections ?? []);
  const way = light ? feeds(light.section_id) : [];
  const named = [...new Set([...odds.keys(), ...way])];
  const select = form.elements.section_id;
  for (const section of named) {
    const chance = odds.has(section) ? ` (${Math.round(odds.get(section) * 100)} % likely)` : "";
    const own = section === light?.section_id ? " feeds this light" : "";
    select.append(h("option", { value: section }, `${section}${own}${chance}`));
  }
  if (chosen) {
    if (!named.includes(chosen)) select.append(h("option", { value: chosen }, chosen));
    select.value = chosen;
  }
}

function jobOf(values) {
  if (values.component) return values.component;
  return { no_fault_found: "none", made_safe: "made_safe" }[values.action] ?? "";
}

function fill(form, values) {
  const usual = register().jobs[jobOf(values)] ?? {};
  for (const [name, text] of Object.entries(values)) {
    const input = form.elements[name];
    if (!input || ["what", "fitted_model", "section_id", "repair_id", "light_id"].includes(name)) continue;
    if (name === "performed_at") input.value = localTime(text);
    else if (name === "made_safe") input.checked = text === "yes";
    else if (usual[name] !== text) input.value = text;
  }
  const what = jobOf(values);
  const chip = form.querySelector(`[name=what][value="${CSS.escape(what)}"]`);
  if (chip) {
    chip.checked = true;
    if (chip.closest("details")) chip.closest("details").open = true;
  }
}

// What the form says, with what goes without saying.
export function valuesOf(form, old = {}) {
  const given = new FormData(form);
  const values = {};
  for (const [name, text] of given) {
    if (name !== "fitted_model" && name !== "what" && text.trim()) values[name] = text.trim();
  }
  if (values.light_id) values.light_id = tagged(values.light_id);
  if ((old.light_id ?? values.light_id) !== values.light_id) delete values.circuit_id;
  const fitted = given.getAll("fitted_model").filter(Boolean);
  if (fitted.length) values.fitted_model = fitted.join("+");
  if (values.proven === "not_proven") values.follow_up ??= "verify_at_night";
  const time = values.performed_at;
  if (!time) values.performed_at = withOffset(new Date());
  else if (old.performed_at && time === localTime(old.performed_at)) values.performed_at = old.performed_at;
  else values.performed_at = withOffset(new Date(time));
  return { ...register().jobs[given.get("what")], ...values };
}

// The light that a tag names, by its own identifier or its pole's number.
function tagged(text) {
  const { byId, lights } = register();
  if (byId.has(text)) return text;
  const wanted = text.toLowerCase();
  const found = lights.filter((light) => light.pole_id.toLowerCase() === wanted || light.light_id.toLowerCase() === wanted);
  return found.length === 1 ? found[0].light_id : text;
}

// Build the form for a light; `save` gets the values, and may throw to say why not.
export function repairForm({ lightId, light, trouble, old = {}, supersedes = "", key, label, save }) {
  const form = document.getElementById("repair-form").content.querySelector("form").cloneNode(true);
  form.noValidate = true;
  form.elements.light_id.value = lightId;
  form.elements.repair_id.value = key;
  sortJobs(form, light, trouble);
  sections(form, light, trouble, old.section_id);
  fill(form, old);
  form.elements.supersedes.value = supersedes;
  form.querySelector(".light").hidden = !old.action;
  if (!form.elements.crew.value) form.elements.crew.value = localStorage.getItem(CREW) ?? "";
  const chosen = (old.fitted_model ?? "").split("+");
  const jobs = form.querySelectorAll("[name=what]");
  for (const job of jobs) {
    job.addEventListener("change", () => {
      follow(form, light, []);
      next(form);
    });
  }
  follow(form, light, chosen);
  const button = form.querySelector(".save");
  const what = label || "Save repair";
  button.textContent = `${what} at ${light?.pole_id || lightId}`;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    submit(form, button, old, save);
  });
  return form;
}

const ASK = { what: "Say what you worked on.", fitted_model: "Say which model was fitted.", proven: "Say whether it works now." };

async function submit(form, button, old, save) {
  const problem = form.querySelector(".problem");
  const missing = [...form.elements].find((input) => !input.closest("[hidden]") && !input.checkValidity?.());
  if (missing) {
    problem.textContent = ASK[missing.name] ?? `${sentence(said(missing.name))}: ${missing.validationMessage}`;
    problem.hidden = false;
    missing.closest("details")?.setAttribute("open", "");
    missing.closest("fieldset, label")?.scrollIntoView({ block: "center" });
    return;
  }
  if (button.disabled) return;
  button.disabled = true;
  try {
    const values = valuesOf(form, old);
    localStorage.setItem(CREW, values.crew ?? "");
    await save(values);
  } catch (error) {
    problem.textContent = `NOT saved on this device: ${error.message}. Write it down, or try again.`;
    problem.hidden = false;
    button.disabled = false;
  }
}

export const newKey = device.newKey;
