// Records made of the forms on the phone: the same fields as the agent makes of
// them, in SI.
const numbers = [
  "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa", "machine_temperature_c", "arc_count", "power_setting_pct", "power_correction_pct",
  "meltback_left_um", "meltback_right_um", "meltback_target_um", "meltback_tolerance_um",
];

// Exact by definition for °F and feet; the inch of mercury as in NIST SP 811.
export const american = {
  temperature_c: { zero: 32, factor: 5 / 9 },
  machine_temperature_c: { zero: 32, factor: 5 / 9 },
  altitude_m: { zero: 0, factor: 0.3048 },
  pressure_hpa: { zero: 0, factor: 33.86389 },
};

const part = "fields."; // what a correction's fields are called in its form
const plain = (name) => (name.startsWith(part) ? name.slice(part.length) : name);

// siOf reads a number as it was typed, or throws what is wrong with it.
export function siOf(field, text, units) {
  let x = Number(text.trim().replace("−", "-").replace(",", "."));
  if (Number.isNaN(x)) throw new Error("This is not a number.");
  const convert = units === "us" && american[plain(field.name)];
  if (convert) x = Math.round((x - convert.zero) * convert.factor * 100) / 100;
  const { min, max } = field.dataset;
  const typed = (si) => (convert ? Math.round(si / convert.factor + convert.zero) : si);
  if (min !== undefined && (x < Number(min) || x > Number(max))) throw new Error(`It must be from ${typed(min)} to ${typed(max)}.`);
  if ("whole" in field.dataset && !Number.isInteger(x)) throw new Error("It must be a whole number.");
  return x;
}

function local(t) {
  const offset = -t.getTimezoneOffset();
  const two = (n) => String(Math.trunc(n)).padStart(2, "0");
  const shifted = new Date(t.getTime() + offset * 60_000).toISOString().slice(0, 19);
  return `${shifted}${offset < 0 ? "-" : "+"}${two(Math.abs(offset) / 60)}:${two(Math.abs(offset) % 60)}`;
}

// A fault is what is wrong with a field.
class Fault extends Error {
  constructor(field, words, more) {
    super(words);
    Object.assign(this, { field, more });
  }
}

function numberOf(form, field) {
  try {
    return siOf(field, field.value, form.dataset.units);
  } catch (problem) {
    throw new Fault(field, problem.message);
  }
}

// valueOf reads a field of a correction; a picker gives local time, whose offset stands
// beside it.
function valueOf(form, field) {
  if ("keypad" in field.dataset) return numberOf(form, field);
  const text = field.value.trim();
  return "offset" in field.dataset && field.type !== "text" ? text + (text.length === 16 ? ":00" : "") + field.dataset.offset : text;
}

// take copies the texts that were given.
function take(record, typed, ...names) {
  for (const name of names) {
    const text = typed.get(name)?.trim();
    if (text) record[name] = text;
  }
  return record;
}

// nameKey is the same for names that people write differently for one machine, as the
// agent compares them.
export function nameKey(machine) {
  let out = "", nought = true; // a nought here leads a number
  for (const c of machine.toLowerCase()) {
    if ("._-".includes(c)) nought = true;
    else if (c !== "0" || !nought) {
      out += c;
      nought = c < "0" || c > "9";
    }
  }
  return out;
}

// oneApart says whether two texts differ by one character at most.
function oneApart(a, b) {
  if (Math.abs(a.length - b.length) > 1) return false;
  let i = 0;
  while (i < a.length && a[i] === b[i]) i++;
  const rest = (s, skip) => s.slice(i + skip);
  return rest(a, 1) === rest(b, 1) || rest(a, 1) === rest(b, 0) || rest(a, 0) === rest(b, 1);
}

// nearestName is the known machine that a new name is probably a slip of; undefined for
// none.
export function nearestName(typed, known) {
  const key = nameKey(typed);
  if (key.length < 2) return undefined;
  return known.find((name) => nameKey(name) === key) ?? known.find((name) => oneApart(key, nameKey(name)));
}

function machineFault(form) {
  const field = form.elements.machine;
  if (!(field instanceof HTMLInputElement) || field.type === "hidden") return undefined;
  const typed = field.value.trim(), known = [...form.querySelectorAll("#machines option")].map((o) => o.value);
  if (!typed) return new Fault(field, "Fill this in.");
  if (!/^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/.test(typed)) return new Fault(field, "Use letters, digits, dots, dashes and underscores.");
  if (known.includes(typed) || field.dataset.sure === typed) return undefined;
  const near = nearestName(typed, known);
  if (!near) return undefined;
  const take = (words, act) => {
    const b = Object.assign(document.createElement("button"), { type: "button", textContent: words });
    b.addEventListener("click", () => {
      act();
      field.dispatchEvent(new Event("change", { bubbles: true }));
    });
    return b;
  };
  return new Fault(field, `${typed} is not known here. Did you mean ${near}?`, [
    take(near, () => (field.value = near)),
    take(`${typed} is a new machine`, () => {
      field.dataset.sure = typed;
      field.after(Object.assign(document.createElement("input"), { type: "hidden", name: "new_machine", value: typed }));
    }),
  ]);
}

// faultsOf lists what is wrong with a form: what is missing, and what is no value of its
// field.
export function faultsOf(form) {
  const out = [], groups = new Set();
  const machine = machineFault(form);
  if (machine) out.push(machine);
  for (const field of form.elements) {
    if (field.type === "radio") {
      if (!field.required || groups.has(field.name)) continue;
      groups.add(field.name);
      if (![...form.querySelectorAll(`[name="${field.name}"]`)].some((f) => f.checked)) out.push(new Fault(field, "Choose one."));
    } else if (field.required && field !== form.elements.machine && !field.value.trim()) {
      out.push(new Fault(field, "Fill this in."));
    } else if (field.dataset && "keypad" in field.dataset && field.value.trim()) {
      try {
        siOf(field, field.value, form.dataset.units);
      } catch (problem) {
        out.push(new Fault(field, problem.message));
      }
    }
  }
  return out;
}

// mark says what is wrong in a summary that leads to the fields, and at each field.
export function mark(form, faults) {
  document.querySelectorAll(".errors, .wrong").forEach((e) => e.remove());
  form.querySelectorAll("[aria-invalid]").forEach((e) => e.removeAttribute("aria-invalid"));
  if (faults.length === 0) return;
  const summary = Object.assign(document.createElement("div"), { className: "errors", tabIndex: -1 });
  summary.setAttribute("role", "alert");
  const list = document.createElement("ul"), head = document.createElement("p");
  head.append(Object.assign(document.createElement("strong"), { textContent: form.method === "get" ? "Please correct:" : "Not saved yet. Please correct:" }));
  summary.append(head, list);
  for (const { field, message, more } of faults) {
    const box = field.closest("fieldset") ?? field.closest(".entry") ?? form;
    const label = box.querySelector("legend, label")?.firstChild?.textContent.trim().replace(/[?:]?$/, "") ?? "";
    const wrong = Object.assign(document.createElement(box === form ? "p" : "span"), { className: "wrong", textContent: message });
    const at = ["radio", "checkbox"].includes(field.type) ? box : field;
    at.id ||= "at-" + field.name;
    wrong.id = at.id + "-wrong";
    if (more) wrong.append(" ", ...more);
    field.closest("details")?.setAttribute("open", "");
    if (field.type !== "submit") {
      at.setAttribute("aria-describedby", wrong.id);
      if (at === field) at.setAttribute("aria-invalid", "true");
      box.append(wrong);
    }
    const item = document.createElement("li");
    item.append(Object.assign(document.createElement("a"), { href: "#" + at.id, textContent: box === form || !label ? message : `${label}: ${message}` }));
    list.append(item);
    const right = () => {
      wrong.remove();
      item.remove();
      at.removeAttribute("aria-invalid");
      if (list.childElementCount === 0) summary.remove();
    };
    (field.type === "submit" ? form : box).addEventListener("change", right, { once: true });
  }
  form.before(summary);
  summary.focus();
  summary.scrollIntoView({ block: "start" });
}

const makers = {
  calibration(form, typed, at) {
    const record = take({ type: "calibration", id: crypto.randomUUID(), time: local(at) }, typed, "machine", "cleaver", "trigger", "site", "operator", "program");
    for (const name of ["passed", "recleaved"]) if (typed.get(name)) record[name] = typed.get(name) === "true";
    record.attempts = Number(typed.get("attempts") ?? 1);
    for (const name of numbers) {
      const field = form.elements[name];
      if (field?.value.trim()) record[name] = numberOf(form, field);
    }
    for (const [name, value] of new URLSearchParams(typed.get("air") ?? "")) record[name] ??= Number(value);
    return [record];
  },

  // The start of a day: a check that passed, for each machine chosen.
  start(form, typed, at) {
    const machines = typed.getAll("machine"), id = crypto.randomUUID();
    if (machines.length === 0) throw new Fault(form.querySelector("[name=machine]"), "Choose the machines that passed.");
    return machines.map((machine) => {
      const record = take({ type: "calibration", id: `${id}-${machine}`, machine, time: local(at), passed: true, attempts: 1, trigger: "start-of-day" }, typed, "operator", "program", "cleaver", "site");
      for (const [name, value] of new URLSearchParams(typed.get("air") ?? "")) record[name] = Number(value);
      return record;
    });
  },

  // The work of the bench, with a calibration before and after where they were
  // made, a second apart so that their order is plain.
  bench(form, typed, at) {
    const id = crypto.randomUUID();
    const of = (type, what, seconds) => take({ type, id: `${id}-${what}`, time: local(new Date(at.getTime() + seconds * 1000)) }, typed, "machine", "operator");
    const check = (what, seconds) => {
      if (!typed.get(what)) return [];
      const record = { ...of("calibration", what, seconds), passed: typed.get(what) === "true", trigger: "electrode-service" };
      const correction = form.elements[`${what}_correction_pct`];
      if (correction.value.trim()) record.power_correction_pct = numberOf(form, correction);
      return [record];
    };
    const work = take(of("service", "work", 0), typed, "action", "finding", "pair");
    const count = form.elements.arc_count;
    if (count.value.trim()) work.arc_count = numberOf(form, count);
    return [...check("found", -1), work, ...check("left", 1)];
  },

  // Only what differs from the record as it was shown goes into the correction.
  correction(form, typed) {
    const record = take({ type: "correction", id: crypto.randomUUID(), time: local(new Date()), fields: {} }, typed, "machine", "corrects", "reason", "operator");
    for (const field of form.elements) {
      if (!field.name.startsWith(part)) continue;
      if (field.type === "radio") {
        if (field.checked && !field.defaultChecked) record.fields[plain(field.name)] = { true: true, false: false }[field.value] ?? field.value;
      } else if (field.value.trim() && field.value !== field.defaultValue) {
        record.fields[plain(field.name)] = valueOf(form, field);
      }
    }
    if (Object.keys(record.fields).length === 0) throw new Fault(form.querySelector("[type=submit]"), "Nothing has been changed yet.");
    return [record];
  },
};

// recordsOf makes the records, or marks what is wrong and returns nothing.
export function recordsOf(form) {
  const faults = faultsOf(form), typed = new FormData(form);
  if (faults.length === 0) {
    try {
      return makers[form.dataset.keep](form, typed, new Date(Date.now() - 60_000 * Number(typed.get("minutes") ?? 0)));
    } catch (problem) {
      if (!(problem instanceof Fault)) throw problem;
      faults.push(problem);
    }
  }
  mark(form, faults);
  return undefined;
}

const found = { cleaver: "the cleaver at fault", other: "something else" };

// wordOf is what a person calls a record.
export function wordOf(record) {
  switch (record.type) {
    case "calibration": return `Calibration ${record.passed ? "passed" : "failed"}${record.attempts > 1 ? `, ${record.attempts} attempts` : ""}`;
    case "service": return `Electrodes ${record.action}${record.finding ? ", found " + (found[record.finding] ?? record.finding) : ""}`;
    case "correction": return "Correction";
  }
  return record.type;
}
