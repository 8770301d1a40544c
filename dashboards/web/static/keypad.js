// A keypad with a minus sign and a decimal mark: the number pads of some phones
// have no minus, and a technician at −8 °C needs one. It opens where fingers are
// the pointer; a keyboard types into the field as always.
const fields = document.querySelectorAll("input[data-keypad]");
const touch = matchMedia("(any-pointer: coarse)");
const mark = (1.5).toLocaleString().includes(",") ? "," : ".";

function make(tag, text, set = {}) {
  const e = Object.assign(document.createElement(tag), set);
  e.textContent = text;
  return e;
}

function build() {
  const dialog = make("dialog", "", { className: "keypad" });
  const name = make("h2", "", { id: "keypad-name" });
  dialog.setAttribute("aria-labelledby", name.id);
  const shown = make("output", "");
  const keys = make("div", "", { className: "keys" });
  let field;

  const press = {
    "−": () => (shown.value.startsWith("−") ? shown.value.slice(1) : "−" + shown.value),
    [mark]: () => (shown.value.includes(mark) ? shown.value : shown.value + mark),
    "⌫": () => shown.value.slice(0, -1),
  };
  for (const key of ["7", "8", "9", "4", "5", "6", "1", "2", "3", "−", "0", mark]) {
    const b = make("button", key, { type: "button" });
    if (key === "−") b.setAttribute("aria-label", "minus");
    if (key === mark) b.setAttribute("aria-label", "decimal mark");
    b.addEventListener("click", () => (shown.value = press[key]?.() ?? shown.value + key));
    keys.append(b);
  }
  const back = make("button", "⌫", { type: "button" });
  back.setAttribute("aria-label", "delete the last digit");
  back.addEventListener("click", () => (shown.value = press["⌫"]()));
  const clear = make("button", "Clear", { type: "button" });
  clear.addEventListener("click", () => (shown.value = ""));
  const cancel = make("button", "Back", { type: "button" });
  cancel.addEventListener("click", () => dialog.close());
  const done = make("button", "Done", { type: "button", className: "done main-button" });
  done.addEventListener("click", () => {
    field.value = shown.value.replace("−", "-");
    field.dispatchEvent(new Event("change", { bubbles: true }));
    dialog.close();
  });
  keys.append(back, clear, cancel, done);
  dialog.append(name, shown, keys);
  document.body.append(dialog);
  return (of) => {
    field = of;
    const unit = of.parentElement.querySelector(".unit")?.textContent;
    name.textContent = (document.querySelector(`label[for="${of.id}"]`)?.textContent ?? of.name) + (unit ? `, ${unit}` : "");
    shown.value = of.value.replace("-", "−");
    dialog.showModal();
  };
}

if (fields.length > 0 && touch.matches) {
  const open = build();
  for (const f of fields) {
    f.inputMode = "none";
    f.addEventListener("click", () => open(f));
  }
}
