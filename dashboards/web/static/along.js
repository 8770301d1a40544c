// Takes along what the site check needs of the machines this phone has to do
// with, and answers it where the agent does not, in the words of the agent's
// page. A test asks both the same.
import { able, savedTables, saveTables, unsent } from "./queue.js";
import { answer, chance, heard, minutes, moment, sameAir } from "./site-check.js";
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

function make(tag, text, set = {}, ...inside) {
  const e = Object.assign(document.createElement(tag), set, { textContent: text });
  e.append(...inside);
  return e;
}

const upperFirst = (s) => s[0].toUpperCase() + s.slice(1);
const minus = (s) => s.replace("-", "−");
// tenths writes one decimal, a tie to the even one, as the agent does; toFixed takes
// ties away from nought. Of such numbers only odd quarters are ties.
const tenths = (x) => (Number.isInteger(x * 4) && !Number.isInteger(x * 2) ? ((2 * Math.round(x * 5)) / 10).toFixed(1) : x.toFixed(1));
const signed = (x) => (["0.0", "-0.0"].includes(tenths(x)) ? "0.0" : (x > 0 ? "+" : "") + minus(tenths(x)));
const near = (x) => Math.sign(x) * Math.round(Math.abs(x)) + 0;
const whole = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, ",");

// inUnits says a sentence's temperatures and heights in the reader's units; a
// difference is converted as one.
function inUnits(text, units) {
  if (units !== "us") return text;
  return text.replace(/([-\u2212]?[\d,.]+)\u00a0(m|°C)\b( higher| lower| warmer| cooler)?/g, (_, n, unit, way = "") => {
    const x = Number(n.replaceAll(",", "").replace("\u2212", "-"));
    if (unit === "m") return `${whole(near(x / 3.048) * 10)}\u00a0ft${way}`;
    return `${minus(String(near(way ? x * 1.8 : x * 1.8 + 32)))}\u00a0°F${way}`;
  });
}

const evidence = { "this-machine": "based on this machine's own records", "machines-like-it": "based on machines like it", "rule-of-thumb": "a rule of thumb: few records so far" };

function word(a) {
  switch (a.answer) {
    case "recalibrate": return "Recalibrate now";
    case "no-need":
      if (a.action === "inspect") return "Do not recalibrate: inspect the electrodes";
      return a.check_due ? "Make today's calibration" : "No need to recalibrate";
    case "wait": return a.wait_minutes === null ? "Wait until the machine is warm and dry, then recalibrate" : `Wait ${a.wait_minutes === 1 ? "1 minute" : a.wait_minutes + " minutes"} with the lid shut, then recalibrate`;
  }
  return "Cannot tell. Recalibrate to be safe";
}

function fact(name, value, note) {
  const said = make("dd", value);
  if (note) said.append(" ", make("span", note, { className: "hint" }));
  return make("div", "", {}, make("dt", name), said);
}

function numbers(a, dew) {
  const list = make("dl", "", { className: "facts" });
  const shift = a.expected_shift_pct;
  list.append(shift === null ? fact("Expected change of required power", "not known") : fact("Expected change of required power", `${signed(shift)}\u00a0%`, `±\u00a0${(1.2816 * a.sd_pct).toFixed(1)}, 8 in 10`));
  if (dew) list.append(fact("Dew point of this air", dew, "water condenses on a machine colder than this"));
  const { check_minutes: check, out_minutes: out } = a.cost;
  if (out > 0) list.append(fact("Recalibrate above", chance(check / out), `a check costs ${minutes(check)}, being out costs ${minutes(out)}; both are settings`));
  return list;
}

// show writes the answer where the agent's page has it.
// same is the link to take where the place is to be asked about first.
export function show(form, a, table, units, same) {
  let [reason, ...more] = a.reasons.map((text) => inUnits(text, units));
  if (same) [reason, more] = ["These are the values of the last calibration, unchanged. If you have moved, enter the values of this place below.", []];
  const kind = same || a.action === "inspect" || (a.answer === "no-need" && a.check_due) ? "cannot-tell" : a.answer;
  const dew = a.dew_point_c === null ? "" : inUnits(minus(String(a.dew_point_c)) + "\u00a0°C", units);
  const verdict = make("section", "", { className: `verdict ${kind}` }, make("p", same ? "Are you still in the same place?" : word(a), { className: "word" }));
  verdict.setAttribute("aria-label", `Answer for ${a.machine}`);
  if (reason) verdict.append(make("p", reason));
  const rests = make("span", evidence[a.evidence], { className: "hint" });
  if (a.probability_out !== null && a.answer !== "wait" && !same) verdict.append(make("p", `${upperFirst(chance(a.probability_out))} attempts would be out of tolerance. `, { className: "chance" }, rests));
  const since = table.as_of ? `Answered on this phone without the agent, from what was known on ${moment(table.as_of)}.` : "Answered on this phone without the agent. It has no data about this machine.";
  const after = [make("p", since, { id: "since", className: "hint" })];
  if (same) after.push(make("p", "", { className: "row" }, make("a", "Yes, same place and air", { className: "button main-button", href: same })));
  if (a.action === "inspect") after.push(document.getElementById("offline-electrodes").content.cloneNode(true));
  if (a.answer === "wait") {
    after.push(make("p", "", { className: "caution" }, make("strong", "Keep the case and the lid shut while the machine warms up."), " Never fire an arc with wet electrodes."));
  }
  const why = make("details", "", { id: "numbers" }, make("summary", "Why, in numbers"));
  if (more.length > 0) why.append(make("ul", "", {}, ...more.map((text) => make("li", text))));
  why.append(numbers(a, dew));
  after.push(why);
  if (a.answer !== "no-need" || a.check_due) {
    const link = make("a", "Log the calibration", { className: "button main-button", href: "/log?" + new URLSearchParams({ machine: a.machine, trigger: "moved" }) });
    after.push(document.getElementById("offline-cautions").content.cloneNode(true), make("p", "", { className: "row" }, link));
  }
  document.querySelector("h1").textContent = `${a.machine}: recalibrate?`;
  form.before(verdict, ...after, make("h2", "Ask again"));
}

// questionOf reads what was asked in the link into the form and as a question in
// SI, or marks the field that is wrong.
export function questionOf(form, asked) {
  const q = {};
  for (const [name, text] of asked) {
    const field = form.elements[name];
    if (!field) continue;
    field.value = text;
    if (["machine", "program"].includes(name) || !text.trim()) continue;
    try {
      q[name] = siOf(field, text, form.dataset.units);
    } catch (problem) {
      field.setCustomValidity(problem.message);
      field.addEventListener("change", () => field.setCustomValidity(""), { once: true });
      form.reportValidity();
      return undefined;
    }
  }
  return q;
}

async function answerHere(form) {
  const asked = new URLSearchParams(location.search);
  const same = asked.has("same");
  asked.delete("same");
  const told = [...asked.keys()].some((name) => !["machine", "program"].includes(name));
  if (!told || document.querySelector(".verdict, .errors")) return;
  const q = questionOf(form, asked);
  if (!q) return;
  const machine = asked.get("machine");
  const table = (await savedTables()).find((t) => t.machine === machine) ?? { machine, table: null, cost: { check_minutes: 0, out_minutes: 0 } };
  const known = heard(table, (await unsent()).map((item) => item.record));
  const a = answer(known, { ...q, as_of: Date.now() });
  // What is taken along is of the program in use.
  if (asked.get("program") && !["wait", "recalibrate"].includes(a.answer)) {
    Object.assign(a, { answer: "cannot-tell", reasons: ["Without a network this phone can answer for the program in use only."], probability_out: null, expected_shift_pct: null });
  }
  const ask = !same && a.answer === "no-need" && a.action === "none" && !a.check_due && sameAir(known, q);
  show(form, a, known, form.dataset.units, ask ? location.pathname + "?" + new URLSearchParams([...asked, ["same", "yes"]]) : undefined);
}

if (able()) {
  const form = document.getElementById("moved");
  if (form) answerHere(form);
  takeAlong().catch(() => {}); // no answer: what was taken before stands
}
