// Takes along what the site check needs of the machines this phone has to do
// with, and answers it where the agent does not.
import { able, savedTables, saveTables } from "./queue.js";
import { answer } from "./site-check.js";
import { siOf } from "./record.js";

const old = 10 * 60_000, most = 100;

async function takeAlong() {
  const have = await savedTables();
  const shown = [...document.querySelectorAll("#machines option, input[name=machine]")].map((e) => e.value).filter(Boolean);
  const here = document.querySelector("input[name=machine]")?.value;
  // A list too long for a phone is not taken: only what it has asked about.
  const names = new Set([...(shown.length > 24 ? [here] : shown), ...have.map((t) => t.machine)].filter(Boolean));
  const fresh = new Set(have.filter((t) => Date.now() - t.taken < old).map((t) => t.machine));
  const wanted = [...names].filter((name) => !fresh.has(name)).slice(0, most);
  if (wanted.length === 0) return;
  const reply = await fetch("/api/v1/offline?" + new URLSearchParams(wanted.map((name) => ["machine", name])));
  if (reply.ok) await saveTables(await reply.json());
}

function make(tag, text, set = {}) {
  return Object.assign(document.createElement(tag), set, { textContent: text });
}

// inTen says a chance in counts: of ten, or of a hundred for what is rare.
function inTen(p) {
  if (p < 0.005) return "Fewer than 1 in 100";
  if (p < 0.095) return `About ${Math.round(p * 100)} in 100`;
  if (p >= 0.95) return "More than 9 in 10";
  return `About ${Math.round(p * 10)} in 10`;
}

const degrees = (c, units) => (units === "us" ? `${Math.round((c * 9) / 5 + 32)} °F` : `${Math.round(c * 10) / 10} °C`).replace("-", "−");
const rests = { "this-machine": "judged by this machine's own records", "machines-like-it": "judged by machines like it", "rule-of-thumb": "by rule of thumb: few records so far" };

function words(a) {
  switch (a.answer) {
    case "recalibrate": return ["Recalibrate now", a.streak ? "The last try failed and nothing has passed since." : ""];
    case "no-need": return ["No need to recalibrate", ""];
    case "wait":
      if (a.saturated) return ["Wait until it is warm and dry, then recalibrate", "The air is close to saturated: waiting has no end here. Dry the air or move, lid shut."];
      return [a.wait_minutes === null ? "Wait until it is warm and dry, then recalibrate" : `Wait ${a.wait_minutes} min, lid shut, then recalibrate`, "This air would wet the machine as it is now."];
  }
  return ["Cannot tell. Play safe: recalibrate", a.missing];
}

function show(form, a, table, units) {
  const [word, reason] = words(a);
  const verdict = make("section", "", { className: `verdict ${a.answer}` });
  verdict.setAttribute("aria-label", `Answer for ${a.machine}`);
  verdict.append(make("p", word, { className: "word" }));
  if (reason) verdict.append(make("p", reason));
  if (a.probability_out !== null) verdict.append(make("p", `${inTen(a.probability_out)} would be out of tolerance. A check costs ${a.cost.check_minutes} min, being out ${a.cost.out_minutes} min.`, { className: "chance" }));
  verdict.append(make("p", rests[a.evidence], { className: "hint" }));
  if (a.dry_c !== undefined) verdict.append(make("p", `A machine colder than ${degrees(a.dry_c, units)} gets wet in this air. Keep the case and the lid shut while it warms. No arc on wet electrodes.`));
  const since = table.as_of ? `Answered on this phone without the agent, from what was known ${new Date(table.as_of).toLocaleString([], { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" })}.` : "Answered on this phone without the agent, which has not told it anything of this machine.";
  verdict.append(make("p", since, { id: "since" }));
  form.before(verdict);
  if (a.answer !== "no-need") verdict.after(document.getElementById("offline-cautions").content.cloneNode(true));
}

async function answerHere(form) {
  const asked = new URLSearchParams(location.search);
  const told = [...asked.keys()].some((name) => name !== "machine");
  if (!told || document.querySelector(".verdict, .errors")) return;
  const units = form.dataset.units;
  const q = { as_of: Date.now() };
  for (const [name, text] of asked) {
    const field = form.elements[name];
    if (!field) continue;
    field.value = text;
    if (name === "machine" || !text.trim()) continue;
    try {
      q[name] = siOf(field, text, units);
    } catch (problem) {
      field.setCustomValidity(problem.message);
      field.addEventListener("change", () => field.setCustomValidity(""), { once: true });
      form.reportValidity();
      return;
    }
  }
  const machine = asked.get("machine");
  const table = (await savedTables()).find((t) => t.machine === machine) ?? { machine, table: null, cost: { check_minutes: 0, out_minutes: 1 } };
  show(form, answer(table, q), table, units);
}

if (able()) {
  const form = document.getElementById("moved");
  if (form) answerHere(form);
  takeAlong().catch(() => {}); // no answer: what was taken before stands
}
