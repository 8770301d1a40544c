// On every page: what waits on this phone is in sight, and is sent as soon as
// the agent answers.
import { able, drop, onNews, send, waiting } from "./queue.js";

const line = document.getElementById("waiting");
const clock = (t) => new Date(t).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
const day = 86_400_000;

function refusals(items) {
  return items.map((item) => {
    const p = document.createElement("p");
    p.textContent = `A record of ${item.record.machine} was not taken: ${item.refused} The agent keeps it among the refused records. `;
    const done = Object.assign(document.createElement("button"), { type: "button", textContent: "Understood" });
    done.addEventListener("click", () => drop(item.id));
    p.append(done);
    return p;
  });
}

async function show() {
  const kept = await waiting();
  const refused = kept.filter((item) => item.refused);
  const open = kept.filter((item) => !item.refused);
  const parts = refusals(refused);
  if (open.length > 0) {
    const p = document.createElement("p");
    p.textContent = `Saved on this phone ${clock(open.at(-1).kept)}. ${open.length} waiting to send.`;
    if (Date.now() - open[0].kept > 3 * day) p.textContent += " The oldest has waited for more than 3 days: go where the agent can be reached, or hand the records over as a file from the page On the phone.";
    parts.push(p);
  }
  line.replaceChildren(...parts);
}

let timer;
async function work() {
  clearTimeout(timer);
  try {
    await send();
  } catch {
    // No answer: everything is kept, and the line says how much.
  }
  await show();
  const rest = (await waiting()).filter((item) => !item.refused);
  const next = Math.min(...rest.map((item) => item.due)) - Date.now();
  if (rest.length > 0) timer = setTimeout(work, next > 0 ? next : 15_000);
}

if (able()) {
  document.documentElement.classList.add("keeps");
  navigator.serviceWorker.register("/static/sw.js", { scope: "/" }).catch(() => {}); // without it the page needs the agent to load
  onNews(show);
  addEventListener("online", work);
  document.addEventListener("visibilitychange", () => document.hidden || work());
  work();
}
