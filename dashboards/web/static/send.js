// Ten seconds to think better of it: a form is sent after a pause in which it
// can be taken back, or at once when the page is left. Its id was made with the
// page, so however often it is sent it is one record.
const pause = 10_000;

function tool(text, className, click) {
  const b = Object.assign(document.createElement("button"), { type: "button", textContent: text, className });
  b.addEventListener("click", click);
  return b;
}

for (const form of document.querySelectorAll("form[data-send]")) {
  const send = form.querySelector(".send");
  const usual = [...send.children];
  let timer;

  const go = () => {
    clearTimeout(timer);
    timer = undefined;
    form.submit();
  };
  const undo = () => {
    clearTimeout(timer);
    timer = undefined;
    send.replaceChildren(...usual);
    usual[0].focus();
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    form.elements.pressed.value = new Date().toISOString().replace(/\.\d+/, "");
    const said = Object.assign(document.createElement("span"), { className: "hidden", textContent: "Saves in 10 seconds." });
    said.setAttribute("role", "status");
    const back = tool("Undo", "", undo);
    send.replaceChildren(back, tool("Save now (10 s)", "main-button", go), said);
    back.focus();
    timer = setTimeout(go, pause);
  });
  addEventListener("pagehide", () => {
    if (timer !== undefined) navigator.sendBeacon(form.action, new URLSearchParams(new FormData(form)));
  });
}
