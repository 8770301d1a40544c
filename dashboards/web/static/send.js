// Ten seconds to think better of it: a form is sent after a pause in which it
// can be taken back. Where the phone can keep records, they are kept at once and
// sent after the pause, with or without this page; else the form is
// sent as it is, or at once when the page is left.
import { able, drop, keep, onNews } from "./queue.js";
import { faultsOf, mark, recordsOf, wordOf } from "./record.js";

const pause = 10_000;
const clock = (t) => t.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

function make(tag, text, set = {}) {
  return Object.assign(document.createElement(tag), set, { textContent: text });
}

// plainly sends a form by itself.
function plainly(form) {
  let held = false;
  addEventListener("pagehide", () => {
    if (held) navigator.sendBeacon(form.action, new URLSearchParams(new FormData(form)));
  });
  return {
    hold: () => {
      const faults = faultsOf(form);
      mark(form, faults);
      if (faults.length > 0) return false;
      form.elements.pressed.value = new Date().toISOString().replace(/\.\d+/, "");
      return (held = true);
    },
    undo: () => (held = false),
    go: () => {
      held = false;
      form.submit();
    },
  };
}

// kept keeps the records on this phone first.
function kept(form) {
  let records;
  return {
    hold: async () => {
      records = recordsOf(form);
      if (!records) return false;
      await keep(records, Date.now() + pause);
      navigator.storage?.persist?.(); // asks the browser not to clear it away
      return true;
    },
    undo: () => drop(records),
    go: async () => {
      saved(records); // listens for the receipt
      await keep(records); // due now, offline.js sends them
    },
  };
}

// saved says what was saved and, when the agent has answered, what became of it.
function saved(records) {
  const machine = records[0].machine, machines = [...new Set(records.map((r) => r.machine))];
  const several = machines.length > 1;
  const work = records.find((r) => r.type === "service") ?? records[0];
  const fate = make("p", `Saved on this phone ${clock(new Date())}.`, { id: "fate" });
  const verdict = make("section", "", { className: "verdict no-need" });
  verdict.setAttribute("role", "status");
  verdict.append(make("p", several ? `${machines.length} machines` : machine, { className: "word" }), make("p", `${several ? `Start of day, passed: ${machines.slice(0, -1).join(", ")} and ${machines.at(-1)}` : records.map(wordOf).join(" · ")}, ${work.time.slice(11, 16)}${work.type === "service" && work.operator ? `, signed ${work.operator}` : ""}`, { className: "chance" }), fate);
  const open = new Set(records.map((r) => r.id));
  const refused = [];
  onNews(({ receipts = {} }) => {
    for (const id of open) {
      const receipt = receipts[id];
      if (!receipt) continue;
      open.delete(id);
      if (receipt.reason) refused.push(receipt.reason);
    }
    if (open.size > 0) return;
    fate.className = "received";
    fate.textContent = refused.length > 0 ? `Not taken: ${refused.join(" ")}` : `Received ${clock(new Date())}.`;
  });
  const links = make("p", "", { className: "row" });
  const of = encodeURIComponent(machine);
  for (const [word, path, look] of several ? [["Morning list", "/morning", "button main-button"], ["Log a calibration", "/log?choose=1", "button"]] : [["Log a calibration", `/log?machine=${of}`, "button main-button"], [`State of ${machine}`, `/machines/${of}`, "button"], ["Moved?", `/moved?machine=${of}`, "button"]]) {
    links.append(make("a", word, { href: path, className: look }));
  }
  const parts = [make("h1", "Saved"), verdict];
  const advice = document.getElementById("after-fail");
  if (records.at(-1).passed === false && advice) parts.push(advice.content.cloneNode(true));
  const next = document.getElementById("after-found");
  if (next && work.action === "inspected" && ["worn", "dirty"].includes(work.finding)) {
    const asked = next.content.cloneNode(true);
    asked.querySelectorAll("a[data-then]").forEach((a) => (a.href = `/service?machine=${of}&${a.dataset.then}`));
    parts.push(asked);
  }
  document.getElementById("main").replaceChildren(...parts, links);
  document.title = "Saved · arcdrift";
  scrollTo(0, 0);
}

// prefill takes over from the link what a page out of the phone's own memory
// does not know.
function prefill(form) {
  for (const [name, value] of new URLSearchParams(location.search)) {
    const field = form.elements[name];
    if (field instanceof RadioNodeList && ![...field].some((f) => f.checked)) [...field].filter((f) => f.value === value).forEach((f) => (f.checked = true));
    else if (field?.type === "text" && field.value === "") field.value = value;
  }
}

// who, program and the like are remembered in this browser.
function recall(form) {
  for (const field of form.querySelectorAll("[data-remember]")) {
    const kept = localStorage.getItem("arcdrift-" + field.name);
    if (kept && !field.value) field.value = kept;
  }
  form.addEventListener("submit", () => {
    for (const field of form.querySelectorAll("[data-remember]")) localStorage.setItem("arcdrift-" + field.name, field.value.trim());
  });
}

for (const form of document.querySelectorAll("form[data-send]")) {
  recall(form);
  form.noValidate = true; // what is wrong is said here, at the fields
  const tray = form.querySelector(".send");
  const usual = [...tray.children];
  const way = able() && "keep" in form.dataset ? kept(form) : plainly(form);
  let timer;
  const end = (then) => () => {
    if (timer === undefined) return;
    clearTimeout(timer);
    timer = undefined;
    then();
  };
  const go = end(way.go);
  const undo = end(async () => {
    await way.undo();
    tray.replaceChildren(...usual);
    usual[0].focus();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (timer !== undefined) return;
    timer = 0; // a second tap is the same
    let held;
    try {
      held = await way.hold();
    } catch {
      form.submit(); // the phone cannot keep it: the agent must
      return;
    }
    timer = undefined;
    if (!held) return;
    mark(form, []);
    const said = make("span", "Saves in 10 seconds.", { className: "hidden" });
    said.setAttribute("role", "status");
    const back = make("button", "Undo", { type: "button" });
    back.addEventListener("click", undo);
    const now = make("button", "Save now", { type: "button", className: "main-button" });
    now.addEventListener("click", go);
    // What counts down is for the eye: a screen reader has been told once.
    const left = make("p", "", { className: "countdown" });
    left.setAttribute("aria-hidden", "true");
    tray.replaceChildren(left, back, now, said);
    back.focus();
    const over = Date.now() + pause;
    const tick = () => {
      const seconds = Math.ceil((over - Date.now()) / 1000);
      if (seconds <= 0) return go();
      left.textContent = `Saves in ${seconds} s`;
      timer = setTimeout(tick, over - Date.now() - 1000 * (seconds - 1));
    };
    tick();
  });
  if ("keep" in form.dataset) prefill(form);
}
