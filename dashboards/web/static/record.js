// A record made of the form on the phone: the same fields as the agent makes of
// it, in SI.
const numbers = [
  "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa", "machine_temperature_c", "arc_count", "power_setting_pct", "power_correction_pct",
  "meltback_left_um", "meltback_right_um", "meltback_target_um", "meltback_tolerance_um",
];

// Exact by definition for °F and feet; the inch of mercury as in NIST SP 811.
const american = {
  temperature_c: (x) => ((x - 32) * 5) / 9,
  machine_temperature_c: (x) => ((x - 32) * 5) / 9,
  altitude_m: (x) => x * 0.3048,
  pressure_hpa: (x) => x * 33.86389,
};

// siOf reads a number as it was typed, or throws what is wrong with it.
export function siOf(field, text, units) {
  let x = Number(text.trim().replace("−", "-").replace(",", "."));
  if (Number.isNaN(x)) throw new Error("This is not a number.");
  const convert = units === "us" && american[field.name];
  if (convert) x = Math.round(convert(x) * 100) / 100;
  const { min, max } = field.dataset;
  if (min !== undefined && (x < Number(min) || x > Number(max))) throw new Error(`It must be from ${min} to ${max}${convert ? " in SI" : ""}.`);
  if (field.name === "arc_count" && !Number.isInteger(x)) throw new Error("It must be a whole number.");
  return x;
}

function local(t) {
  const offset = -t.getTimezoneOffset();
  const two = (n) => String(Math.trunc(n)).padStart(2, "0");
  const shifted = new Date(t.getTime() + offset * 60_000).toISOString().slice(0, 19);
  return `${shifted}${offset < 0 ? "-" : "+"}${two(Math.abs(offset) / 60)}:${two(Math.abs(offset) % 60)}`;
}

// recordOf makes the record, or marks the field that is wrong and returns
// nothing.
export function recordOf(form) {
  const typed = new FormData(form);
  const record = { type: "calibration", id: crypto.randomUUID(), time: local(new Date(Date.now() - 60_000 * Number(typed.get("minutes") ?? 0))) };
  for (const name of ["machine", "cleaver", "trigger", "site"]) {
    const text = typed.get(name)?.trim();
    if (text) record[name] = text;
  }
  for (const name of ["passed", "recleaved"]) if (typed.get(name)) record[name] = typed.get(name) === "true";
  record.attempts = Number(typed.get("attempts") ?? 1);
  for (const name of numbers) {
    const field = form.elements[name];
    if (!field?.value.trim()) continue;
    try {
      record[name] = siOf(field, field.value, form.dataset.units);
    } catch (problem) {
      field.closest("details")?.setAttribute("open", "");
      field.setCustomValidity(problem.message);
      field.addEventListener("change", () => field.setCustomValidity(""), { once: true });
      form.reportValidity();
      return undefined;
    }
  }
  const same = form.elements.same_air;
  if (same?.checked) for (const [name, value] of new URLSearchParams(same.dataset.air)) record[name] ??= Number(value);
  return record;
}
