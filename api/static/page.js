// The first page: what the address says, shown from what this device keeps.

import * as device from "./device.js";
import * as registry from "./register.js";
import * as sending from "./sending.js";
import { home, lightView, receipt } from "./views.js";
import { queue, tellState } from "./queue.js";
import { h, show } from "./dom.js";

const main = document.getElementById("main");
const pill = document.getElementById("state");

function route() {
  const { pathname, searchParams } = new URL(location.href);
  const [, room, ...rest] = pathname.split("/");
  const name = decodeURIComponent(rest.join("/"));
  if (room === "") return () => home(main);
  if (room === "queue") return () => queue(main);
  if (room === "receipts" && name) return () => receipt(main, name);
  if (room === "lights" && name) {
    return () => lightView(main, name, { corrects: searchParams.get("corrects") ?? "", mends: searchParams.get("mends") ?? "" }, go);
  }
  return null;
}

async function render() {
  const view = route();
  if (!view) return;
  await view();
  document.documentElement.dataset.ready = location.pathname;
}

async function go(path) {
  delete document.documentElement.dataset.ready;
  history.pushState(null, "", path);
  await render();
  scrollTo(0, 0);
  registry.refresh().catch(() => {});
}

function follow(event) {
  const link = event.target.closest?.("a[href]");
  if (!link || event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
  const url = new URL(link.href);
  if (url.origin !== location.origin || !/^\/($|queue$|lights\/|receipts\/)/.test(url.pathname)) return;
  event.preventDefault();
  go(url.pathname + url.search);
}

function redraw() {
  tellState(pill);
  if (/^\/(queue$|receipts\/)/.test(location.pathname)) render();
}

async function begin() {
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/sw.js").catch(() => {});
  await device.ready();
  document.documentElement.classList.add("scripted");
  await tellState(pill);
  device.onChange(redraw);
  sending.start();
  if (!(await registry.load())) await registry.refresh(true);
  addEventListener("popstate", render);
  document.addEventListener("click", follow);
  await render();
  registry.refresh().then((news) => { if (news && location.pathname === "/" && !document.activeElement?.value) render(); }).catch(() => {});
  addEventListener("online", () => registry.refresh().catch(() => {}));
  device.tidy().catch(() => {});
}

begin().catch((error) => {
  if (main.querySelector("form")) return;
  show(main, h("p", { class: "warn", role: "alert" }, `The page could not open here (${error.message}). With a signal, load it again; the records on this device are safe.`));
});
