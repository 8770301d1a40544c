// On every page: what waits on this phone is in sight, and is sent as soon as
// the agent answers; so is what the agent refused or asks about.
import { able, drop, onNews, send, toSend, unsent, waiting } from "./queue.js";

const line = document.getElementById("waiting");
const clock = (t) => new Date(t).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
const day = 86_400_000;

// told is what somebody must read about a record, with a way to say that it was.
function told(item, words, ...more) {
  const p = Object.assign(document.createElement("p"), { textContent: words + " " });
  const done = Object.assign(document.createElement("button"), { type: "button", textContent: "Understood" });
  done.addEventListener("click", () => drop([item.record]));
  p.append(...more, done);
  return p;
}

const refusal = (item) => told(item, `A record of ${item.record.machine} was refused: ${item.refused} The agent keeps it with the refused records.`);

function question(item) {
  const of = new URLSearchParams({ machine: item.record.machine, corrects: item.id });
  const correct = Object.assign(document.createElement("a"), { className: "button", textContent: "Correct", href: "/correct?" + of });
  return told(item, `${item.record.machine}: ${item.asked.join(" ")} The record is saved.`, correct, " ");
}

// closed says why the agent takes nothing although it answers; undefined when it
// does not say.
function closed(status) {
  const words = {
    401: "This phone is not signed in. Nothing is sent until you sign in. ",
    403: "The account of this phone may not log records. Ask the administrator of the agent. ",
    429: "Too many failed sign-ins. The phone tries again in a few minutes. ",
  }[status];
  if (!words) return undefined;
  const p = Object.assign(document.createElement("p"), { textContent: words });
  if (status === 401) p.append(Object.assign(document.createElement("a"), { className: "button", textContent: "Sign in", href: location.pathname === "/sign-in" ? location.href : "/sign-in?" + new URLSearchParams({ to: location.pathname + location.search }) }));
  return p;
}

let status; // of the last answer by which nothing was taken
let looks = 0;
async function show() {
  const look = ++looks;
  const kept = await waiting();
  if (look < looks) return; // a later look has seen more
  const open = kept.filter(toSend);
  const parts = [...kept.filter((item) => item.refused).map(refusal), ...kept.filter((item) => item.asked).map(question)];
  if (open.length > 0) {
    const p = document.createElement("p");
    p.textContent = `Saved on this phone ${clock(open.at(-1).kept)}. ${open.length} waiting to be sent.`;
    if (Date.now() - open[0].kept > 3 * day) p.textContent += " The oldest has waited for more than 3 days. Go where the agent can be reached, or hand over the records as a file from the page On the phone.";
    parts.push(p);
    const why = closed(status);
    if (why) parts.push(why);
  }
  line.replaceChildren(...parts);
}

let timer, failed;

// plan says what waits and when it is tried next: when it is due, and after a
// while if it has just failed.
async function plan() {
  clearTimeout(timer);
  await show();
  const rest = await unsent();
  if (rest.length === 0) return;
  const patience = closed(status) ? 300_000 : 15_000; // a closed door is not knocked at all the time
  clearTimeout(timer);
  timer = setTimeout(work, Math.max(Math.min(...rest.map((item) => item.due)) - Date.now(), failed ? patience : 0));
}

async function work() {
  clearTimeout(timer);
  failed = false;
  status = undefined;
  try {
    await send();
  } catch (problem) {
    failed = true; // everything is kept, and the line says how much
    status = problem.status;
  }
  await plan();
}

function news({ receipts }) {
  if (receipts) return show();
  failed = false; // something new is tried at once
  return plan();
}

// tellAge says of a page out of this phone's memory how old it is.
async function tellAge() {
  const { ago, moment } = await import("./site-check.js");
  const at = document.querySelector(".feet time").dateTime;
  const p = Object.assign(document.createElement("p"), { className: "ask kept", id: "kept-page", textContent: `The agent does not answer. This page was kept on this phone ${ago(at)}, at ${moment(at)}. Later records are not in it. ` });
  p.setAttribute("role", "status");
  const again = Object.assign(document.createElement("button"), { type: "button", textContent: "Try again" });
  again.addEventListener("click", () => location.reload());
  p.append(again);
  document.getElementById("main").prepend(p);
}

const kept = document.documentElement.dataset.kept !== undefined;
if (kept && /^\/(morning|alerts|machines\/)/.test(location.pathname) && !document.getElementById("instead")) tellAge();
for (const choice of document.querySelectorAll("label[data-until]")) {
  // A sensor's reading is taken over only while it is fresh.
  if (Date.parse(choice.dataset.until) < Date.now()) choice.remove();
}

if (able()) {
  document.documentElement.classList.add("keeps");
  navigator.serviceWorker.register("/static/sw.js", { scope: "/" }).catch(() => {}); // without it the page needs the agent to load
  onNews(news);
  addEventListener("online", work);
  document.addEventListener("visibilitychange", () => document.hidden || work());
  work();
  const guest = /^\/(sign-in|invite)/.test(location.pathname);
  if (!kept && !guest) import("./keep.js").then(({ takeAlong }) => takeAlong()).catch(() => {}); // no answer: what was taken before stands
}
