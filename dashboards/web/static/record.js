// Records made of the forms on the phone: the same fields as the agent makes of
// them, in SI.
const numbers = [
  "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa", "machine_temperature_c", "arc_count", "power_setting_pct", "power_correction_pct",
  "meltback_left_um", "meltback_right_um", "meltback_target_um", "meltback_tolerance_um",
];

// Exact by definition for °F and feet; the inch of mercury as in NIST SP 811.
const american = {
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
  constructor(field, words) {
    super(words);
    this.field = field;
  }
}

function numberOf(form, field) {
  try {
    return siOf(field, field.value, form.dataset.units);
  } catch (problem) {
    throw new Fault(field, problem.message);
  }
}

// take copies the texts that were given.
function take(record, typed, ...names) {
  for (const name of names) {
    const text = typed.get(name)?.trim();
    if (text) record[name] = text;
  }
  return record;
}

const makers = {
  calibration(form, typed, at) {
    const record = take({ type: "calibration", id: crypto.randomUUID(), time: local(at) }, typed, "machine", "cleaver", "trigger", "site");
    for (const name of ["passed", "recleaved"]) if (typed.get(name)) record[name] = typed.get(name) === "true";
    record.attempts = Number(typed.get("attempts") ?? 1);
    for (const name of numbers) {
      const field = form.elements[name];
      if (field?.value.trim()) record[name] = numberOf(form, field);
    }
    const same = form.elements.same_air;
    if (same?.checked) for (const [name, value] of new URLSearchParams(same.dataset.air)) record[name] ??= Number(value);
    return [record];
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
        record.fields[plain(field.name)] = "keypad" in field.dataset ? numberOf(form, field) : field.value.trim();
      }
    }
    if (Object.keys(record.fields).length === 0) throw new Fault(form.querySelector("[type=submit]"), "Nothing has been changed yet.");
    return [record];
  },
};

// recordsOf makes the records, or marks the field that is wrong and returns
// nothing.
export function recordsOf(form) {
  const typed = new FormData(form);
  try {
    return makers[form.dataset.keep](form, typed, new Date(Date.now() - 60_000 * Number(typed.get("minutes") ?? 0)));
  } catch (problem) {
    if (!(problem instanceof Fault)) throw problem;
    problem.field.closest("details")?.setAttribute("open", "");
    problem.field.setCustomValidity(problem.message);
    form.addEventListener("change", () => problem.field.setCustomValidity(""), { once: true });
    form.reportValidity();
    return undefined;
  }
}

// wordOf is what a person calls a record.
export function wordOf(record) {
  switch (record.type) {
    case "calibration": return `Calibration ${record.passed ? "passed" : "failed"}${record.attempts > 1 ? `, ${record.attempts} attempts` : ""}`;
    case "service": return `Electrodes ${record.action}`;
    case "correction": return "Correction";
  }
  return record.type;
}
