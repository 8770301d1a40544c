// Moves a machine of the week plan to another day, with a pointer or with the keys. The
// form of the machine then has that day and asks why: it alone makes the record.
const said = document.querySelector("#grips [role=status]");
document.getElementById("grips")?.removeAttribute("hidden");

for (const grip of document.querySelectorAll(".grip")) {
  const row = grip.closest("[data-machine]"), plan = grip.closest(".plan");
  const home = grip.closest("[data-day]");
  const days = [...plan.querySelectorAll("[data-day]")];
  let target = null;

  const aim = (day) => {
    target?.classList.remove("aim");
    target = day;
    target?.classList.add("aim");
    plan.classList.toggle("moving", day !== null);
  };
  const name = (day) => day.querySelector("h3").textContent;
  const drop = () => {
    const day = target;
    aim(null);
    if (!day || day === home) return;
    const details = row.querySelector("details");
    details.open = true;
    details.querySelector("[name=day]").value = day.dataset.day;
    said.textContent = `${row.dataset.machine}: ${name(day)}. Say why and who decided, then press Move.`;
    details.querySelector("[name=reason]").focus();
  };

  grip.hidden = false;
  grip.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    grip.setPointerCapture(event.pointerId);
    aim(home);
  });
  grip.addEventListener("pointermove", (event) => {
    if (!grip.hasPointerCapture(event.pointerId)) return;
    const under = document.elementFromPoint(event.clientX, event.clientY)?.closest("[data-day]");
    if (under && plan.contains(under)) aim(under);
    const edge = 60; // pixels from the edge of the window, where it scrolls
    if (event.clientY < edge) scrollBy(0, -edge / 4);
    if (event.clientY > innerHeight - edge) scrollBy(0, edge / 4);
  });
  grip.addEventListener("pointerup", drop);
  grip.addEventListener("pointercancel", () => aim(null));
  grip.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }[event.key];
    if (step) {
      aim(days[Math.min(days.length - 1, Math.max(0, days.indexOf(target ?? home) + step))]);
      target.scrollIntoView({ block: "nearest" });
      said.textContent = `${row.dataset.machine}: ${name(target)}`;
    } else if (event.key === "Enter") drop();
    else if (event.key === "Escape") aim(null);
    else return;
    event.preventDefault();
  });
}
