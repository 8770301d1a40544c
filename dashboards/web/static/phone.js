// What this phone can do, and a way to hand over what waits on it or to take it
// back.
import { able, keep, onNews, takeBack, unsent } from "./queue.js";
import { wordOf } from "./record.js";

const list = document.getElementById("kept");
const gone = []; // taken back while this page is open
let file;

function row(record, words, act) {
  const when = new Date(record.time).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const li = Object.assign(document.createElement("li"), { className: "record" });
  li.append(Object.assign(document.createElement("span"), { textContent: `${record.machine}: ${wordOf(record)}, ${when}` }));
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: words });
  button.setAttribute("aria-label", `${words}: ${record.machine}, ${wordOf(record)}, ${when}`);
  button.addEventListener("click", () => {
    button.disabled = true;
    act(record);
  });
  li.append(button);
  return li;
}

async function back(record) {
  if (await takeBack(record)) gone.push(record);
  await show();
}

async function again(record) {
  gone.splice(gone.indexOf(record), 1);
  await keep([record]);
  await show();
}

let looks = 0;
async function show() {
  const look = ++looks;
  const kept = await unsent();
  if (look < looks) return; // a later look has seen more
  list.replaceChildren(...kept.map((item) => row(item.record, "Take back", back)), ...gone.map((record) => row(record, "Put back", again)));
  document.getElementById("none").hidden = kept.length > 0;
  const link = document.getElementById("hand-over");
  link.hidden = kept.length === 0;
  if (file) URL.revokeObjectURL(file);
  file = URL.createObjectURL(new Blob(kept.map((item) => JSON.stringify(item.record) + "\n"), { type: "application/jsonl" }));
  link.href = file;
}

if (able()) {
  document.getElementById("can").hidden = false;
  document.getElementById("cannot").hidden = true;
  document.getElementById("instead").hidden = location.pathname === "/phone"; // the worker shows this page for those it has not
  onNews(show);
  show();
}
