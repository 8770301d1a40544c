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

// What the air contributes: density and humidity as in IEC 60060-1:2010, clause
// 4.3.2, and the machine's temperature. Without a humidity an ordinary one.
function regressors(q) {
  const t = q.temperature_c, p = q.pressure_hpa ?? pressureAt(q.altitude_m);
  const density = ((p / 1013) * 293) / (273 + t);
  const humidity = (100 * vapour(t, q.humidity_pct ?? 65)) / (0.4615 * (273.15 + t));
  return [-100 * Math.log(density), humidity / density - 11, ((q.machine_temperature_c ?? t) - 20) / 10];
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
    const w = wear * Math.exp(-s.level / 100);
    const slope = s.cov[1].slice();
    s.mean[0] += w * s.mean[1];
    s.cov[0][0] += 2 * w * slope[0] + w * w * slope[1] + (t.walk * arcs) / 1000;
    for (let j = 1; j < terms; j++) s.cov[0][j] = s.cov[j][0] = s.cov[0][j] + w * slope[j];
    s.cov[1][1] += (t.slope_walk * arcs) / 1000;
  }
  stray(t, states, -Math.expm1((-t.dirt_rate * arcs) / 1000), Math.min((t.multiple_walk * arcs) / 1000 / 0.09 / 2, 0.3));
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
// many more arcs, lands outside the tolerance.
export function outChance(t, air, arcs) {
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
    const sd = Math.sqrt(Math.max(variance, 0) + (scatter * s.multiple) ** 2);
    out += s.weight * (normalCDF((t.low - mean) / sd) + normalCDF((mean - t.high) / sd));
  }
  return out;
}

// condensation: where water settles, from which temperature on a machine stays
// dry, and whether waiting has no end. The margins are this tool's own rule.
function condensation(t, rh) {
  let point = dewPoint(t, rh);
  if (point < 0) point = settlesAt(vapour(t, rh), ice);
  return { dry: point + Math.min(2, (t - point) / 2), saturated: t - point < 0.5 };
}

const known = (x) => x !== undefined && x !== null && !Number.isNaN(x);

function wait(a, m, q) {
  const c = condensation(q.temperature_c, q.humidity_pct);
  const machine = q.machine_temperature_c;
  if (known(machine) ? !(machine < c.dry) : !c.saturated) return false;
  a.answer = "wait";
  a.wait_minutes = null;
  a.dry_c = c.dry;
  a.saturated = c.saturated;
  if (!c.saturated && known(m.warm_up_minutes)) {
    a.wait_minutes = Math.ceil(m.warm_up_minutes * Math.log((q.temperature_c - machine) / (q.temperature_c - c.dry)));
  }
  return true;
}

function weigh(a, m, q) {
  if (!m.table) a.missing = "Nothing is known of this machine yet.";
  else if (!known(q.temperature_c)) a.missing = "The temperature is missing.";
  else if (!known(q.pressure_hpa) && !known(q.altitude_m)) a.missing = "The altitude or the station pressure is missing.";
  if (a.missing) return false;
  const days = Math.min(Math.max((q.as_of - Date.parse(m.last)) / 86_400_000, 0), 7);
  a.chance = outChance(m.table, regressors(q), m.arcs_per_day * days);
  a.probability_out = Math.round(a.chance * 1000) / 1000;
  a.evidence = m.attempts >= 10 ? "this-machine" : m.attempts_of_its_like >= 100 ? "machines-like-it" : "rule-of-thumb";
  if (m.attempts < 3 && a.evidence === "rule-of-thumb") {
    a.missing = "There are too few records of this machine and none of its like.";
    return false;
  }
  return true;
}

// answer is the site check: m is a machine's table, q the question with the
// names of the records' fields and as_of in milliseconds.
export function answer(m, q) {
  const a = { machine: m.machine, answer: "cannot-tell", wait_minutes: 0, evidence: "rule-of-thumb", probability_out: null, cost: m.cost };
  const vapours = known(q.temperature_c) && known(q.humidity_pct);
  if (vapours) a.dew_point_c = dewPoint(q.temperature_c, q.humidity_pct);
  const weighed = weigh(a, m, q);
  if ((vapours && wait(a, m, q)) || !weighed) return a;
  a.streak = m.streak > 0;
  a.answer = a.streak || a.probability_out > m.cost.check_minutes / m.cost.out_minutes ? "recalibrate" : "no-need";
  return a;
}
