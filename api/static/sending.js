// Send what waits, oldest first, one tab at a time. A record counts as received only
// when the office answers with its key; until then it waits and is sent again, which
// is harmless, because the office keeps each key once.

import * as device from "./device.js";

const EVERY_MS = 5000;
const PATIENCE_MS = 20000;
const REFUSED = [404, 409, 413, 422];
const UNAVAILABLE = 503;

let sending = false;
let again = false;
let quietUntil = 0;

function waits(seconds) {
  return AbortSignal.timeout ? AbortSignal.timeout(seconds) : undefined;
}

async function post(record) {
  try {
    const reply = await fetch("/api/repairs", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(record.values),
      cache: "no-store",
      redirect: "error",
      signal: waits(PATIENCE_MS),
    });
    const type = reply.headers.get("Content-Type") ?? "";
    const body = await reply.json().catch(() => null);
    if (reply.ok && body?.repair_id === record.repair_id) return { state: "sent" };
    if (REFUSED.includes(reply.status) && type.startsWith("application/problem+json") && body) {
      return { state: "refused", problem: body };
    }
    if (reply.status === UNAVAILABLE) {
      quietUntil = Date.now() + 1000 * (Number(reply.headers.get("Retry-After")) || 0);
      return { state: "waiting", trouble: "the office cannot reach its records just now" };
    }
    return { state: "waiting", trouble: `the office answered ${reply.status}`, reached: true };
  } catch {
    return { state: "waiting", trouble: "no signal, or no answer" };
  }
}

function after(record, outcome) {
  if (record.state !== "waiting") return null;
  const tries = (record.tries ?? 0) + 1;
  const told = { tries, trouble: outcome.trouble ?? "", problem: outcome.problem ?? null };
  if (outcome.state === "sent") told.received = Date.now();
  return { ...record, ...told, state: outcome.state };
}

async function round() {
  const waiting = (await device.all()).filter((record) => record.state === "waiting");
  for (const { repair_id: key } of waiting) {
    const record = await device.one(key);
    if (record?.state !== "waiting") continue;
    const first = record.values.supersedes && (await device.one(record.values.supersedes));
    if (first?.state === "waiting") continue;
    const outcome = await post(record);
    await device.change(key, (now) => after(now, outcome));
    if (outcome.state === "waiting" && !outcome.reached) return;
  }
}

function alone(work) {
  if (!navigator.locks) return work();
  return navigator.locks.request("send-records", { ifAvailable: true }, (lock) => (lock ? work() : null));
}

export async function flush() {
  if (sending) {
    again = true;
    return;
  }
  sending = true;
  try {
    do {
      again = false;
      await alone(round);
    } while (again);
  } finally {
    sending = false;
  }
}

export function start() {
  const go = () => flush().catch(() => {});
  addEventListener("online", go);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) go(); });
  setInterval(async () => {
    const waiting = (await device.all()).some((record) => record.state === "waiting");
    if (waiting && Date.now() >= quietUntil) go();
  }, EVERY_MS);
  go();
}
