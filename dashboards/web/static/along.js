// Answers the site check where the agent does not, in the words of the agent's page. A
// test asks both the same. keep.js has taken along what it needs.
import { able, savedTables, unsent } from "./queue.js";
import { ago, answer, chance, heard, minutes, moment, sameAir, sameWeather } from "./site-check.js";
import { american, mark, siOf } from "./record.js";

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
// asks is the question to ask first, if any: { word, reason, say, href }.
export function show(form, a, table, units, asks, log) {
  let [reason, ...more] = a.reasons.map((text) => inUnits(text, units));
  if (asks) [reason, more] = [asks.reason, []];
  const kind = asks || a.action === "inspect" || (a.answer === "no-need" && a.check_due) ? "cannot-tell" : a.answer;
  const dew = a.dew_point_c === null ? "" : inUnits(minus(String(a.dew_point_c)) + "\u00a0°C", units);
  const verdict = make("section", "", { className: `verdict ${kind}` }, make("p", asks?.word ?? word(a), { className: "word" }));
  verdict.setAttribute("aria-label", `Answer for ${a.machine}`);
  if (reason) verdict.append(make("p", reason));
  const rests = make("span", evidence[a.evidence], { className: "hint" });
  if (a.probability_out !== null && a.answer !== "wait" && !asks) verdict.append(make("p", `${upperFirst(chance(a.probability_out))} attempts would be out of tolerance. `, { className: "chance" }, rests));
  const since = table.as_of ? `Answered on this phone without the agent, from what was known on ${moment(table.as_of)}.` : "Answered on this phone without the agent. It has no data about this machine.";
  const after = [make("p", since, { id: "since", className: "hint" })];
  if (asks) after.push(make("p", "", { className: "row" }, make("a", asks.say, { className: "button main-button", href: asks.href })));
  if (a.action === "inspect") after.push(document.getElementById("offline-electrodes").content.cloneNode(true));
  if (a.answer === "wait") {
    after.push(make("p", "", { className: "caution" }, make("strong", "Keep the case and the lid shut while the machine warms up."), " Never fire an arc with wet electrodes."));
  }
  const why = make("details", "", { id: "numbers" }, make("summary", "Why, in numbers"));
  if (more.length > 0) why.append(make("ul", "", {}, ...more.map((text) => make("li", text))));
  why.append(numbers(a, dew));
  after.push(why);
  if (a.answer !== "no-need" || a.check_due) {
    const link = make("a", "Log the calibration", { className: "button main-button", href: log ?? "/log?" + new URLSearchParams({ machine: a.machine, trigger: "moved" }) });
    after.push(document.getElementById("offline-cautions").content.cloneNode(true), make("p", "", { className: "row" }, link));
  }
  document.querySelector("h1").textContent = `${a.machine}: recalibrate?`;
  form.before(verdict, ...after, make("h2", "Ask again"));
}

// questionOf reads what was asked in the link into the form and as a question in
// SI, or marks what is wrong.
export function questionOf(form, asked) {
  const q = {}, faults = [];
  for (const [name, text] of asked) {
    const field = form.elements[name];
    if (!field) continue;
    field.value = text;
    if (["machine", "program", "site"].includes(name) || !text.trim()) continue;
    if (name === "machine_cold") {
      q[name] = text === "true";
      continue;
    }
    try {
      q[name] = siOf(field, text, form.dataset.units);
    } catch (problem) {
      faults.push({ field, message: problem.message });
    }
  }
  if (faults.length > 0) return mark(form, faults);
  const height = siteNamed(form, asked.get("site"))?.dataset.altitude;
  if (height && q.altitude_m === undefined) q.altitude_m = Number(height);
  return q;
}

const sites = (form) => [...form.querySelectorAll("[name=site][data-altitude], #sites option")].filter((e) => e.value);
const siteNamed = (form, name) => name && sites(form).find((e) => e.value.toLowerCase() === name.toLowerCase());

// logLink leads to the form that logs the check, with the site and air of the question.
function logLink(form, asked, q) {
  const v = new URLSearchParams({ machine: asked.get("machine"), trigger: "moved", arrived: "yes" });
  for (const name of ["site", "program", "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa"]) if (asked.get(name)?.trim()) v.set(name, asked.get(name));
  if (q.altitude_m !== undefined && !v.has("altitude_m") && !v.has("pressure_hpa")) v.set("altitude_m", form.dataset.units === "us" ? Math.round(q.altitude_m / american.altitude_m.factor) : q.altitude_m);
  return "/log?" + v;
}

// askedFirst is what the agent's page asks before it says that there is no need: values
// that nobody has changed prove little.
export function askedFirst(table, q, asked) {
  const again = { href: location.pathname + "?" + new URLSearchParams([...asked, ["same", "yes"]]) };
  if (sameAir(table, q)) return { ...again, word: "Are you still in the same place?", say: "Yes, same place and air", reason: "These are the values of the last calibration, unchanged. If you have moved, enter the values of this place below." };
  // Who enters a height has looked at the values; who chooses a site may not have.
  if (!asked.get("altitude_m") && !asked.get("pressure_hpa") && sameWeather(table, q)) return { ...again, word: "Is the air here the same?", say: "Yes, the same air", reason: "Temperature and humidity are those of the last calibration, unchanged. If they differ here, enter them below." };
  return undefined;
}

async function answerHere(form) {
  const asked = new URLSearchParams(location.search);
  const same = asked.has("same");
  asked.delete("same");
  const told = [...asked.keys()].some((name) => !["machine", "program", "choose", "units"].includes(name));
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
  const asks = !same && a.answer === "no-need" && a.action === "none" && !a.check_due ? askedFirst(known, q, asked) : undefined;
  show(form, a, known, form.dataset.units, asks, logLink(form, asked, q));
}

// prepare makes the form current that may come out of this phone's memory: a reading is
// filled in only while it is fresh, and how long ago something was is counted from now.
function prepare(form) {
  const filled = document.getElementById("filled");
  if (filled?.dataset.until && Date.parse(filled.dataset.until) < Date.now()) {
    for (const name of ["temperature_c", "humidity_pct", "pressure_hpa"]) {
      const field = form.elements[name];
      if (field.value === field.defaultValue) field.value = "";
    }
    filled.textContent = "The sensor's last reading is too old to be filled in.";
  }
  document.querySelectorAll("time[data-ago]").forEach((t) => (t.textContent = ago(t.dateTime)));
  const machine = new URLSearchParams(location.search).get("machine");
  if (machine && form.elements.machine && !form.elements.machine.value) form.elements.machine.value = machine;
}

// locate chooses the known site that is nearest to this phone. The position stays here.
function locate(form) {
  const p = document.getElementById("locate");
  if (!p || !navigator.geolocation) return;
  const [button, said] = [p.querySelector("button"), p.querySelector("[role=status]")];
  const rad = Math.PI / 180, near = 2; // km
  // The haversine formula (Sinnott 1984) on a sphere of 6,371 km.
  const away = (site, at) => {
    const [a, b] = [Number(site.dataset.latitude) * rad, at.latitude * rad];
    const h = Math.sin((b - a) / 2) ** 2 + Math.cos(a) * Math.cos(b) * Math.sin(((Number(site.dataset.longitude) - at.longitude) * rad) / 2) ** 2;
    return 2 * 6371 * Math.asin(Math.sqrt(h));
  };
  const found = ({ coords }) => {
    const [site] = sites(form).filter((e) => e.dataset.latitude).sort((x, y) => away(x, coords) - away(y, coords));
    const km = away(site, coords);
    if (km > near) {
      said.textContent = `No known site is near. The nearest is ${site.value}, ${Math.round(km)} km away.`;
      return;
    }
    if (site.type === "radio") site.checked = true;
    else form.elements.site.value = site.value;
    said.textContent = `${site.value} is chosen.`;
  };
  button.addEventListener("click", () => {
    said.textContent = "Looking for the position.";
    navigator.geolocation.getCurrentPosition(found, () => (said.textContent = "The phone does not give its position. Choose the site."), { timeout: 20_000, maximumAge: 60_000 });
  });
  p.hidden = false;
}

const form = document.getElementById("moved");
if (form) {
  prepare(form);
  locate(form);
  if (able()) answerHere(form);
}
