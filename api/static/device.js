// What this device keeps: the records, and the register extract.
// A record is saved only when the device says that it is on its disk.

let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open("lightwatch", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("records", { keyPath: "repair_id" });
      request.result.createObjectStore("kept");
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    request.onblocked = () => reject(new Error("another tab holds the store"));
  });
  return opened;
}

async function inside(store, mode, work) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const transaction = database.transaction(store, mode, { durability: "strict" });
    let result;
    transaction.oncomplete = () => resolve(result);
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error ?? new Error("not saved"));
    work(transaction.objectStore(store), (value) => { result = value; });
  });
}

const told = new BroadcastChannel("records");
const listeners = new Set();

function tell() {
  told.postMessage("changed");
  for (const listener of listeners) listener();
}

told.onmessage = () => { for (const listener of listeners) listener(); };

export function onChange(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}
export const ready = () => open().then(() => true);

export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

// Save a new record; a second save under the same key is the same record.
export async function add(record) {
  await inside("records", "readwrite", (store) => {
    const request = store.add(record);
    request.onerror = (event) => {
      if (request.error.name === "ConstraintError") {
        event.preventDefault();
        event.stopPropagation();
      }
    };
  });
  tell();
  navigator.storage?.persist?.().catch(() => {});
}

// Read, change and write in one transaction, so that no tab undoes another's work.
export async function change(key, alter) {
  const result = await inside("records", "readwrite", (store, give) => {
    store.get(key).onsuccess = (event) => {
      const record = event.target.result;
      const next = record && alter(record);
      if (next) store.put(next);
      give(next ?? null);
    };
  });
  tell();
  return result;
}

export function all() {
  return inside("records", "readonly", (store, give) => {
    store.getAll().onsuccess = (event) => {
      give(event.target.result.sort((a, b) => a.made - b.made));
    };
  });
}

export function one(key) {
  return inside("records", "readonly", (store, give) => {
    store.get(key).onsuccess = (event) => give(event.target.result ?? null);
  });
}

// Forget received records beyond the newest; nothing else is ever forgotten.
export async function tidy(most = 200) {
  const received = (await all()).filter((record) => record.state === "sent");
  const old = received.slice(0, Math.max(0, received.length - most));
  await inside("records", "readwrite", (store) => {
    for (const record of old) store.delete(record.repair_id);
  });
}

export function keep(name, value) {
  return inside("kept", "readwrite", (store) => { store.put(value, name); });
}

export function kept(name) {
  return inside("kept", "readonly", (store, give) => {
    store.get(name).onsuccess = (event) => give(event.target.result ?? null);
  });
}
