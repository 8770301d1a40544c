// The site check where there is no agent: the last known table of a machine
// (GET /api/v1/offline) and the same sums as the agent's. A test asks both the
// same questions. Powers are in log percent, temperatures in °C, pressures in
// hPa, heights in m.

// The error function's complement: the series of Abramowitz and Stegun (1964)
// 7.1.6 where it is quick, beyond it the continued fraction 7.1.14.
export function erfc(x) {
  if (x < 0) return 2 - erfc(-x);
  if (x < 3) {
    let term = x, sum = x;
    for (let n = 1; term > sum * 1e-17; n++) sum += term *= (2 * x * x) / (2 * n + 1);
    return 1 - (2 / Math.sqrt(Math.PI)) * Math.exp(-x * x) * sum;
  }
  let f = x;
  for (let n = 60; n > 0; n--) f = x + n / 2 / f;
  return Math.exp(-x * x) / Math.sqrt(Math.PI) / f;
}

const normalCDF = (z) => erfc(-z / Math.SQRT2) / 2;

// Saturation vapour pressure over water and over ice: WMO-No. 8, annex 4.B.
const water = [17.62, 243.12], ice = [22.46, 272.62], atZero = 6.112;
const vapour = (t, rh) => (rh / 100) * atZero * Math.exp((water[0] * t) / (water[1] + t));
const settlesAt = (e, [a, b]) => b / (a / Math.log(e / atZero) - 1);
export const dewPoint = (t, rh) => settlesAt(vapour(t, rh), water);

// US Standard Atmosphere 1976, equations 18 and 33a.
export function pressureAt(height) {
  const geopotential = (6356766 * height) / (6356766 + height);
  return 1013.25 * (1 - (0.0065 * geopotential) / 288.15) ** ((9.80665 * 0.0289644) / (8.31432 * 0.0065));
}

// disagree says whether pressure and altitude cannot both be those of one place: most
// often the pressure is one reduced to sea level.
const oddPressure = 40;
const disagree = (q) => known(q.pressure_hpa) && known(q.altitude_m) && Math.abs(q.pressure_hpa - pressureAt(q.altitude_m)) > oddPressure;

// What the air contributes: density and humidity as in IEC 60060-1:2010, clause
// 4.3.2, and the machine's temperature. Without a humidity an ordinary one.
function regressors(q) {
  const t = q.temperature_c, p = q.pressure_hpa ?? pressureAt(q.altitude_m);
  const density = ((p / 1013) * 293) / (273 + t);
  const humidity = (100 * vapour(t, q.humidity_pct ?? 65)) / (0.4615 * (273.15 + t));
  return [-100 * Math.log(density), humidity / density - 11, ((q.machine_temperature_c ?? t) - 20) / 10];
}

// place is the air asked about as the machine's records would report it: the effect of
// what they never report is in the level, and adds to the doubt.
function place(t, q) {
  if (t.never_temperature) return t.air;
  return regressors({ ...q, humidity_pct: t.never_humidity ? undefined : q.humidity_pct, pressure_hpa: t.never_pressure ? 1013 : q.pressure_hpa });
}

// A row of the table: weight, multiple, mean level, five means (level minus
// setting, slope, three effects of the air), the lower triangle of their
// covariance.
const terms = 5;
function stateOf(row) {
  const cov = Array.from({ length: terms }, () => Array(terms));
  let n = 3 + terms;
  for (let i = 0; i < terms; i++) for (let j = 0; j <= i; j++) cov[i][j] = cov[j][i] = row[n++];
  return { weight: row[0], multiple: row[1], level: row[2], mean: row.slice(3, 3 + terms), cov };
}

const copy = (s) => ({ ...s, mean: [...s.mean], cov: s.cov.map((r) => [...r]) });

function blend(s, from, share) {
  const d = s.mean.map((m, i) => from.mean[i] - m);
  d.forEach((di, i) => {
    s.mean[i] += share * di;
    d.forEach((dj, j) => (s.cov[i][j] += share * (from.cov[i][j] - s.cov[i][j]) + share * (1 - share) * di * dj));
  });
}

// burn lets the pair burn so many more arcs: wear, random walk, dirt, and a
// multiple that strays. The order of the steps is the model's.
function burn(t, states, arcs) {
  const clock = (a) => (t.bend === 1 ? a / 1000 : 2 * (a / 2000) ** t.bend);
  const wear = clock(t.arcs + arcs) - clock(t.arcs);
  for (const s of states) {
    const w = wear * Math.exp(-Math.max(s.level, -100) / 100);
    const slope = s.cov[1].slice();
    s.mean[0] += w * s.mean[1];
    s.cov[0][0] += 2 * w * slope[0] + w * w * slope[1] + (t.walk * arcs) / 1000;
    for (let j = 1; j < terms; j++) s.cov[0][j] = s.cov[j][0] = s.cov[0][j] + w * slope[j];
    s.cov[1][1] += (t.slope_walk * arcs) / 1000;
  }
  const dirty = -Math.expm1((-t.dirt_rate * arcs) / 1000);
  stray(t, states, dirty, Math.min((t.multiple_walk * arcs) / 1000 / 0.09 / 2, (1 - dirty) / 3));
}

function stray(t, states, dirty, stray) {
  const most = 3, last = states.length - 1;
  const was = states.map(copy);
  for (let k = last; k >= 0; k--) {
    const s = states[k];
    let stays = 1 - (dirty * Math.min(most, last - k)) / most;
    if (k > 0) stays -= stray;
    let total = was[k].weight * stays;
    const mixIn = (from, weight) => {
      if (weight === 0) return 0;
      total += weight;
      const share = weight / total;
      if (share < 1e-3) return 0;
      blend(s, from, share);
      return share;
    };
    if (k < last) {
      total -= was[k].weight * stray;
      mixIn(was[k + 1], was[k + 1].weight * stray);
    }
    for (let from = k - 1; from >= Math.max(0, k - most); from--) {
      if (from === k - 1) mixIn(was[from], was[from].weight * stray);
      const share = mixIn(was[from], (was[from].weight * dirty) / most);
      s.mean[0] += share * t.dirt_step;
      s.cov[0][0] += share * (2 - share) * t.dirt_step ** 2;
    }
    s.weight = total;
  }
}

// outChance is the chance that a well-prepared attempt in this air, after so
// many more arcs, lands outside the tolerance. doubt is a variance of required power
// beside that of the table.
export function outChance(t, air, arcs, doubt = 0) {
  const states = t.rows.map(stateOf);
  if (arcs > 0) burn(t, states, arcs);
  const scatter = t.scatter * (1 + (Math.max(t.worn + arcs, 0) / t.scatter_arcs) ** t.scatter_bend);
  const look = [1, 0, ...air];
  let out = 0;
  for (const s of states) {
    let mean = 0, variance = 0;
    look.forEach((x, i) => {
      mean += x * s.mean[i];
      look.forEach((y, j) => (variance += x * y * s.cov[i][j]));
    });
    const sd = Math.sqrt(Math.max(variance, 0) + doubt + (scatter * s.multiple) ** 2);
    out += s.weight * (normalCDF((t.low - mean) / sd) + normalCDF((mean - t.high) / sd));
  }
  return out;
}

// statedOut is the chance that is stated: the model's, the same in more doubt, and how
// often first attempts of this machine fail, by their weights.
const statedOut = (t, air, arcs, doubt = 0) => t.weights.reduce((sum, w, i) => sum + (w > 0 ? w * outChance(t, air, arcs, doubt + t.doubts[i]) : 0), t.beside);

// condensation: where water settles, from which temperature on a machine stays
// dry, and whether waiting has no end. The margins are this tool's own rule.
function condensation(t, rh) {
  let point = dewPoint(t, rh);
  if (point < 0) point = settlesAt(vapour(t, rh), ice);
  return { dry: point + Math.min(2, (t - point) / 2), saturated: t - point < 0.5 };
}

const known = (x) => x !== undefined && x !== null && !Number.isNaN(x);

// Words and numbers as drift/phrase writes them.
const round = (x, parts = 1) => (Math.sign(x) * Math.round(Math.abs(x) * parts)) / parts + 0;
const minus = (s) => s.replace("-", "\u2212");
const thousands = (s) => s.replace(/\B(?=(\d{3})+(\.|$))/g, ",");
const number = (x) => minus(thousands(String(round(x, 10))));
const whole = (x, unit) => number(round(x)) + "\u00a0" + unit;
const degrees = (x) => number(x) + "\u00a0°C";
const about = (n) => thousands(String(n >= 1000 ? round(n / 10) * 10 : n));
const count = (n, noun) => (n === 1 ? `1 ${noun}` : `${thousands(String(n))} ${noun}s`);
export const minutes = (x) => (x === 1 ? "1 minute" : `${number(x)} minutes`);

// moment names a moment in the phone's own zone: 5 Mar 2026, 07:00 CET.
export function moment(t) {
  const at = new Date(t), part = (set) => at.toLocaleString("en-GB", set);
  const zone = new Intl.DateTimeFormat("en-GB", { timeZoneName: "short" }).formatToParts(at).find((p) => p.type === "timeZoneName").value;
  return `${part({ day: "numeric" })} ${part({ month: "short" }).slice(0, 3)} ${at.getFullYear()}, ${part({ hour: "2-digit", minute: "2-digit" })} ${minus(zone.replace("GMT", "UTC"))}`;
}

// ago says how long ago something was.
export function ago(then, now = Date.now()) {
  const past = (now - Date.parse(then)) / 3_600_000;
  if (past < -1 / 60) return "in the future";
  if (past < 2 / 60) return "just now";
  if (past < 1) return count(Math.floor(past * 60), "minute") + " ago";
  return (past < 36 ? count(Math.floor(past + 0.5), "hour") : count(Math.floor(past / 24 + 0.5), "day")) + " ago";
}

export function chance(p) {
  if (p < 0.005) return "fewer than 1 in 100";
  if (p < 0.095) return `about ${round(p * 100)} in 100`;
  return p >= 0.95 ? "more than 9 in 10" : `about ${round(p * 10)} in 10`;
}

function change(d, step, unit, up, down, none) {
  d = round(d / step) * step;
  return d === 0 ? none : `${about(Math.abs(d))}\u00a0${unit} ${d > 0 ? up : down}`;
}

// difference says in words how this place differs from the last calibration's.
function difference(m, q) {
  const parts = [];
  if (known(m.last_altitude_m) && known(q.altitude_m)) parts.push(change(q.altitude_m - m.last_altitude_m, 10, "m", "higher", "lower", "same height"));
  if (known(m.last_temperature_c)) parts.push(change(q.temperature_c - m.last_temperature_c, 1, "°C", "warmer", "cooler", "same temperature"));
  const hours = (q.as_of - Date.parse(m.last)) / 3_600_000;
  if (hours >= 48) parts.push(count(Math.floor(hours / 24), "day") + " later");
  else if (hours >= 1) parts.push(count(Math.floor(hours), "hour") + " later");
  return `Compared with the last calibration: ${parts.join(", ") || "no difference is known"}.`;
}

// A machine whose own temperature was not given is taken to be as cold as the air
// of its last calibration until it can have warmed.
const unknownWarmUp = 60;
function assume(a, m, q, c) {
  const from = m.last_temperature_c;
  a.answer = "wait";
  a.wait_minutes = null;
  a.reasons = [`Keep the lid shut: the machine may still be at ${degrees(from)}, as at its last calibration, and water condenses here below ${degrees(c.dry)}.`];
  if (known(m.warm_up_minutes)) {
    const left = Math.ceil(m.warm_up_minutes * Math.log((q.temperature_c - from) / (q.temperature_c - c.dry)));
    a.reasons.push(`Enter the machine's own temperature, or wait ${minutes(left)}, then recalibrate.`);
  } else {
    a.reasons.push("Enter the machine's own temperature, or wait until it is above that, then recalibrate. Its warm-up time is not known.");
  }
  return true;
}

// chill answers to wait, nobody knows how long.
function chill(a, reason) {
  Object.assign(a, { answer: "wait", wait_minutes: null, reasons: [reason] });
  return true;
}

const stillCold = (q) => q.machine_cold === true && !known(q.machine_temperature_c);

function wait(a, m, q) {
  const c = condensation(q.temperature_c, q.humidity_pct);
  const machine = q.machine_temperature_c ?? (q.machine_cold === false ? q.temperature_c : undefined);
  if (stillCold(q) && !c.saturated) {
    if (known(m.last_temperature_c) && m.last_temperature_c < c.dry) return assume(a, m, q, c);
    return chill(a, `Keep the lid shut: the machine is colder than the air, and water condenses on it below ${degrees(c.dry)}. Enter its own temperature, or wait until it is above that, then recalibrate.`);
  }
  if (!known(machine) && !c.saturated && m.table && known(m.last_temperature_c)) {
    const from = m.last_temperature_c, since = Math.max((q.as_of - Date.parse(m.last)) / 60_000, 0);
    const warmest = q.temperature_c - (q.temperature_c - from) * Math.exp(-since / (m.warm_up_minutes ?? unknownWarmUp));
    if (warmest < c.dry) return assume(a, m, q, c);
    if (from < c.dry) a.reasons.push(`If the machine has just come in from ${degrees(from)}, keep the lid shut until it is above ${degrees(c.dry)}. Its own temperature was not given.`);
  }
  if (known(machine) ? !(machine < c.dry) : !c.saturated) return false;
  a.answer = "wait";
  a.wait_minutes = null;
  if (c.saturated) {
    a.reasons = ["The air is close to saturated: the machine will not dry here. Keep the lid shut, dry the air or move, then recalibrate."];
  } else if (known(m.warm_up_minutes)) {
    a.wait_minutes = Math.ceil(m.warm_up_minutes * Math.log((q.temperature_c - machine) / (q.temperature_c - c.dry)));
    a.reasons = [`Wait ${minutes(a.wait_minutes)} with the lid shut: the machine is at ${degrees(machine)}, and water condenses here below ${degrees(c.dry)}. Then recalibrate.`];
  } else {
    a.reasons = [`Keep the lid shut until the machine is above ${degrees(c.dry)}: at ${degrees(machine)} water would condense in it. Then recalibrate. Its warm-up time is not known.`];
  }
  return true;
}

// shift is mean and standard deviation of the change of required power, in log
// percent, from the air of the last attempt to this one.
export function shift(t, air) {
  let mean = 0, second = 0;
  for (const row of t.rows) {
    const s = stateOf(row);
    let m = 0, v = 0;
    air.forEach((x, i) => {
      m += (x - t.air[i]) * s.mean[2 + i];
      air.forEach((y, j) => (v += (x - t.air[i]) * (y - t.air[j]) * s.cov[2 + i][2 + j]));
    });
    mean += s.weight * m;
    second += s.weight * (v + m * m);
  }
  return [mean, Math.sqrt(Math.max(second - mean * mean, 0))];
}

function weigh(a, m, q) {
  let missing;
  if (!m.table) missing = "No calibration of this machine has been recorded yet.";
  else if (!known(q.temperature_c)) missing = "The temperature is missing.";
  else if (!known(q.pressure_hpa) && !known(q.altitude_m)) missing = "The altitude or the station pressure is missing.";
  else if (disagree(q)) missing = `At ${whole(q.altitude_m, "m")} the pressure is about ${whole(pressureAt(q.altitude_m), "hPa")}, not ${whole(q.pressure_hpa, "hPa")}. Enter the station pressure, not the one of a weather report, or the altitude alone.`;
  if (missing) {
    a.reasons = [missing + " Recalibrate to be safe."];
    return false;
  }
  const days = Math.min(Math.max((q.as_of - Date.parse(m.last)) / 86_400_000, 0), 7);
  const here = place(m.table, q);
  a.chance = statedOut(m.table, here, m.arcs_per_day * days, m.table.air_doubt);
  a.probability_out = round(a.chance, 1000);
  const [mean, unsure] = shift(m.table, here), sd = Math.sqrt(unsure ** 2 + m.table.air_doubt);
  a.expected_shift_pct = round(100 * Math.expm1(mean / 100), 100);
  a.sd_pct = round(sd * Math.exp(mean / 100), 100);
  a.evidence = m.attempts >= 10 ? "this-machine" : m.attempts_of_its_like >= 100 ? "machines-like-it" : "rule-of-thumb";
  if (m.attempts < 3 && a.evidence === "rule-of-thumb") {
    a.reasons = [`There is too little to go by: ${count(m.attempts, "record")} of this machine and none of machines like it. Recalibrate to be safe.`];
    return false;
  }
  return true;
}

// stakes says the chance of being out, and what a check and being out cost.
const stakes = (a, m) => `Without a calibration, ${chance(a.probability_out)} attempts would be out of tolerance. A check costs ${minutes(m.cost.check_minutes)}; being out costs ${minutes(m.cost.out_minutes)}.`;

function qualify(a) {
  if (a.evidence === "machines-like-it") a.reasons.push("This machine has few records. The answer rests on machines like it.");
  if (a.evidence === "rule-of-thumb") a.reasons.push("This machine and machines like it have few records. The answer is a rule of thumb.");
}

// obey answers where a rule of the trade asks for a check.
function obey(a, m, q, due, weighed) {
  a.answer = "recalibrate";
  a.reasons = [due.words.join(" "), ...a.reasons];
  if (!weighed) return;
  a.reasons.push(difference(m, q), stakes(a, m));
  if (a.probability_out <= m.cost.check_minutes / m.cost.out_minutes && m.streak === 0) a.reasons.push("The change of air alone would not require a calibration. The rule still applies.");
  qualify(a);
}

function choose(a, m, q) {
  const worth = m.cost.check_minutes / m.cost.out_minutes, p = a.probability_out, leaves = m.check_leaves;
  // One has just passed in this air, and the next would be asked for right after.
  const just = q.as_of - Date.parse(m.last) < 3_600_000;
  const helps = m.setting_wrong || !(p > worth && just && p <= statedOut(m.table, m.table.air, 0) + 0.02 && leaves > worth);
  a.answer = m.streak > 0 || (p > worth && helps) ? "recalibrate" : "no-need";
  if (m.streak === 0 && !helps) {
    a.action = "inspect";
    a.reasons.push(`Another calibration would change little: the machine has just passed in this air, and after another pass ${chance(leaves)} attempts would still be out. Inspect the electrodes instead.`);
  }
  if (m.streak === 0 && p > worth && m.setting_wrong) a.reasons.push("The setting is probably wrong, although the last calibration passed. Calibrate with fresh ends, and with another cleaver if there is one.");
  if (m.streak > 0) a.reasons.push(`The last ${m.streak === 1 ? "attempt" : count(m.streak, "attempt")} failed, and none has passed since.`);
  if (a.answer === "no-need" && a.action !== "inspect") a.reasons.push(...untold(m.table));
  a.reasons.push(difference(m, q), stakes(a, m));
  qualify(a);
}

// untold says which difference of the places the answer leaves out.
function untold(t) {
  if (t.never_temperature) return ["The records of this machine state no temperature. If the air here is much different from the last calibration's, recalibrate."];
  if (t.never_pressure) return ["The records of this machine state no height or pressure. If this place is much higher or lower than the last, recalibrate."];
  return [];
}

// sameAir says whether a question repeats the air of the last calibration, as the
// form does when nobody changed a value.
export function sameAir(m, q) {
  return sameWeather(m, q) && same(m, q, "altitude_m", 0.3) && same(m, q, "pressure_hpa", 0.3);
}

// sameWeather says so of temperature and humidity alone: at another height they are
// probably not the same.
export const sameWeather = (m, q) => known(m.last_temperature_c) && same(m, q, "temperature_c", 0.3) && same(m, q, "humidity_pct", 0);

function same(m, q, name, near) {
  return known(q[name]) === known(m["last_" + name]) && Math.abs((q[name] ?? 0) - (m["last_" + name] ?? 0)) <= near;
}

// heard lets what this phone logged count for the rules before the agent says so: a
// pass ends what is due, work on the electrodes makes a check due.
export function heard(table, records) {
  let due = table.due ?? [];
  const at = (record) => Date.parse(record.time);
  for (const r of records.filter((r) => r.machine === table.machine).sort((a, b) => at(a) - at(b))) {
    if (r.type === "calibration" && r.passed) due = due.filter((d) => Date.parse(d.from) > at(r));
    if (r.type === "service" && r.action !== "inspected") {
      due = [{ from: r.time, reason: "electrode-service", words: [`The electrodes were ${r.action} on ${moment(r.time)}. No calibration has passed since: calibrate before the next splice.`] }];
    }
  }
  return { ...table, due };
}

// answer is the site check: m is a machine's table, q the question with the
// names of the records' fields and as_of in milliseconds. The keys and sentences
// are those of GET /api/v1/site-check; chance is before rounding.
export function answer(m, q) {
  const a = {
    machine: m.machine, answer: "cannot-tell", wait_minutes: 0, probability_out: null, expected_shift_pct: null, sd_pct: null,
    evidence: "rule-of-thumb", check_due: null, action: "none", reasons: [], dew_point_c: null, cost: m.cost,
  };
  const vapours = known(q.temperature_c) && known(q.humidity_pct);
  if (vapours) a.dew_point_c = round(dewPoint(q.temperature_c, q.humidity_pct), 10);
  const weighed = weigh(a, m, q);
  if (vapours && wait(a, m, q)) return a;
  if (known(q.temperature_c) && !vapours && stillCold(q)) {
    chill(a, "Keep the lid shut: the machine is colder than the air, and without the humidity nobody knows where water condenses. Enter the humidity, or wait until the machine is as warm as the place, then recalibrate.");
    return a;
  }
  // The latest check that has become due counts.
  const due = (m.due ?? []).findLast((d) => Date.parse(d.from) <= q.as_of);
  if (due) a.check_due = due.reason;
  if (due && due.reason !== "start-of-day") obey(a, m, q, due, weighed);
  else if (weighed) choose(a, m, q);
  if (due && a.answer === "no-need") a.reasons.unshift("The move alone needs no calibration, but today's calibration is still due: calibrate before the first splice.");
  return a;
}
