// Takes along, while the agent answers, what this phone needs without it: the tables of
// the site check for the machines of the crew and those this phone has asked about, and
// the pages that a technician looks at, with their age.
import { savedTables, saveTables } from "./queue.js";

const old = 10 * 60_000, most = 100;
const memory = "arcdrift-pages";

async function tables() {
  const have = await savedTables();
  const shown = [...document.querySelectorAll("input[name=machine]")].map((e) => e.value);
  const names = new Set([...have.map((t) => t.machine), ...shown].filter(Boolean));
  const query = new URLSearchParams([["crew", "1"], ...[...names].slice(0, most).map((name) => ["machine", name])]);
  const reply = await fetch("/api/v1/offline?" + query);
  if (!reply.ok) return;
  const fresh = await reply.json();
  await saveTables(fresh);
  return fresh.map((t) => t.machine);
}

// pages puts the lists and the pages of these machines where the worker finds them.
async function pages(machines) {
  const cache = await caches.open(memory);
  for (const path of ["/morning", "/alerts", ...machines.slice(0, 24).map((m) => "/machines/" + encodeURIComponent(m))]) {
    const page = await fetch(path, { redirect: "error" });
    if (page.ok) await cache.put(path, page);
  }
}

// takeAlong does it at most every ten minutes, in one tab at a time.
export function takeAlong() {
  return navigator.locks.request("arcdrift-along", { ifAvailable: true }, async (lock) => {
    const here = document.querySelector("input[type=hidden][name=machine]")?.value;
    const missing = here && !(await savedTables()).some((t) => t.machine === here);
    if (!lock || (!missing && Date.now() - Number(localStorage.getItem("arcdrift-along") ?? 0) < old)) return;
    const machines = await tables();
    if (!machines) return;
    localStorage.setItem("arcdrift-along", String(Date.now()));
    await pages(machines);
  });
}
