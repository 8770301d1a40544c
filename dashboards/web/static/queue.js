// What this phone keeps: records until the agent's receipt, and the tables of
// the site check. A record has its id from the phone, so however often it is
// sent it is one record.
export const able = () => isSecureContext && "indexedDB" in window && "randomUUID" in crypto && "locks" in navigator;

const channel = "arcdrift-queue";
const tell = able() ? new BroadcastChannel(channel) : undefined;

// onNews calls back whenever the queue of this phone changed; receipts is what
// became of records, by id.
export function onNews(callback) {
  new BroadcastChannel(channel).onmessage = (event) => callback(event.data);
}

const database = () =>
  new Promise((done, failed) => {
    const request = indexedDB.open("arcdrift", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("queue", { keyPath: "id" });
      request.result.createObjectStore("tables", { keyPath: "machine" });
    };
    request.onsuccess = () => done(request.result);
    request.onerror = () => failed(request.error);
  });

let opened;
const open = () => (opened ??= database().then((db) => refilled(db).then(() => db)));

// within runs work on a store; the promise holds when all of it is on disk.
const within = async (store, mode, work) => working(await open(), store, mode, work);

function working(db, store, mode, work) {
  return new Promise((done, failed) => {
    const transaction = db.transaction(store, mode, { durability: "strict" });
    const request = work(transaction.objectStore(store));
    transaction.oncomplete = () => done(request?.result);
    transaction.onabort = transaction.onerror = () => failed(transaction.error);
  });
}

// A browser that is killed in the middle of a write may throw its whole database
// away at a later start (seen once in about 150 kills). So what is kept is kept
// a second time, in the cache, where each item has a file of its own.
const second = () => caches.open("arcdrift-queue");
const place = (id) => "/kept/" + encodeURIComponent(id);
const together = (work) => navigator.locks.request("arcdrift-kept", work);

// refilled puts back what the second place has and the database lost.
function refilled(db) {
  return together(async () => {
    const cache = await second();
    const here = new Set((await working(db, "queue", "readonly", (s) => s.getAllKeys())).map(place));
    const lost = (await cache.keys()).filter((request) => !here.has(new URL(request.url).pathname));
    const items = await Promise.all(lost.map(async (request) => (await cache.match(request)).json()));
    if (items.length > 0) await working(db, "queue", "readwrite", (s) => items.forEach((item) => s.put(item)));
  }).catch(() => {}); // the database is the first place, and is there
}

// change keeps items and forgets ids, all or none. Whatever moment it is cut
// off at, the second place has nothing that the database was told to forget.
async function change(items, gone) {
  await open();
  return together(async () => {
    const cache = await second().catch(() => undefined);
    if (cache) await Promise.all(gone.map((id) => cache.delete(place(id))));
    await within("queue", "readwrite", (s) => {
      items.forEach((item) => s.put(item));
      gone.forEach((id) => s.delete(id));
    });
    const copies = items.map((item) => cache?.put(place(item.id), new Response(JSON.stringify(item))));
    await Promise.allSettled(copies); // a full cache does not undo what is kept
  });
}

// keep keeps records, all or none, that are to be sent from the moment due on.
export async function keep(records, due = Date.now()) {
  await change(records.map((record) => ({ id: record.id, record, due, kept: Date.now() })), []);
  tell.postMessage({});
}

// drop forgets records.
export async function drop(records) {
  await change([], records.map((record) => record.id));
  tell.postMessage({});
}

// takeBack forgets a record unless the agent has it, and says whether it did; it
// waits for an upload that is under way.
export function takeBack(record) {
  return alone(async () => {
    const here = (await unsent()).some((item) => item.id === record.id);
    if (here) await drop([record]);
    return here;
  });
}

// waiting lists what is kept, the oldest first: what is to be sent, and what
// somebody must read first, refusals and questions.
export const waiting = async () => (await within("queue", "readonly", (s) => s.getAll())).sort((a, b) => a.kept - b.kept);

// toSend says whether an item is to be sent; unsent lists those.
export const toSend = (item) => !item.refused && !item.asked;
export const unsent = async () => (await waiting()).filter(toSend);

export const saveTables = (tables) => within("tables", "readwrite", (s) => tables.forEach((t) => s.put({ ...t, taken: Date.now() })));
export const savedTables = () => within("tables", "readonly", (s) => s.getAll());

// hear lets the tables of a phone that soon has no network know what it has sent.
async function hear(records) {
  const tables = await savedTables();
  if (tables.length === 0) return;
  const { heard } = await import("./site-check.js"); // most pages have no other use for it
  await within("tables", "readwrite", (s) => tables.forEach((t) => s.put(heard(t, records))));
}

const atOnce = 50; // records in one upload
const alone = (work) => navigator.locks.request("arcdrift-send", work);

// send hands in what is due and forgets what there are receipts for, when they
// ask nothing. It throws when the agent does not answer, or with its status when
// it takes nothing; then all is kept.
export function send() {
  return alone(async () => {
    for (;;) {
      const due = (await unsent()).filter((item) => item.due <= Date.now()).slice(0, atOnce);
      if (due.length === 0) return;
      const receipts = await post(due.map((item) => item.record));
      const asking = due.filter((item) => receipts[item.id].reason || receipts[item.id].questions?.length > 0);
      const answered = asking.map((item) => ({ ...item, refused: receipts[item.id].reason, asked: receipts[item.id].questions }));
      await change(answered, due.filter((item) => !asking.includes(item)).map((item) => item.id));
      await hear(due.map((item) => item.record)).catch(() => {}); // the agent's next table says it too
      tell.postMessage({ receipts });
    }
  });
}

// post returns what became of each record, by id. An answer that does not tell
// of every record is none.
async function post(records) {
  const body = records.map((r) => JSON.stringify(r) + "\n").join("");
  const answer = await fetch("/api/v1/records", { method: "POST", body, headers: { "Content-Type": "application/jsonl" }, signal: AbortSignal.timeout(20_000) });
  if (![201, 400, 409].includes(answer.status)) throw Object.assign(new Error(`answer ${answer.status}`), { status: answer.status });
  const receipts = {};
  for (const line of (await answer.text()).trim().split("\n")) {
    const receipt = JSON.parse(line);
    const record = records[(receipt.line ?? 1) - 1];
    if (record) receipts[record.id] = receipt.refused ?? receipt;
  }
  if (!records.every((r) => receipts[r.id])) throw new Error("an answer that is not the agent's");
  return receipts;
}
