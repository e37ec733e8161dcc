// Keeps this version of the page, so that it opens with the network gone.
// Records never pass through here: they wait in the device's own queue.
const KEPT = "page-{{ version }}";
const SHELL = "/shell";
const FILES = [{% for name in files %}"/static/{{ version }}/{{ name }}"{{ ", " if not loop.last }}{% endfor %}];
const PAGES = /^\/($|queue$|lights\/|receipts\/)/;

self.addEventListener("install", (event) => {
  const wanted = [SHELL, ...FILES].map((url) => new Request(url, { cache: "reload" }));
  event.waitUntil(
    caches.open(KEPT).then((cache) => cache.addAll(wanted)).then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  const old = (names) => names.filter((name) => name.startsWith("page-") && name !== KEPT);
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(old(names).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

// The newest answer, and with the network gone the last one that came.
async function keep(response) {
  if (response.ok) await (await caches.open(KEPT)).put("/answers", response.clone());
  return response;
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate" && PAGES.test(url.pathname)) {
    event.respondWith(caches.match(SHELL).then((kept) => kept ?? fetch(request)));
  } else if (request.mode === "navigate" && url.pathname === "/answers") {
    event.respondWith(fetch(request).then(keep).catch(() => caches.match("/answers")));
  } else if (url.pathname.startsWith("/static/")) {
    event.respondWith(caches.match(request).then((kept) => kept ?? fetch(request)));
  }
});
