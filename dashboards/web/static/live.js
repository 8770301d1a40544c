// Keeps a page current without a reload: asks for the same page again, by its
// tag, and swaps its main part when something changed. Says so when it cannot.
const every = 10_000;
const main = document.querySelector("main[data-tag]");
const status = document.getElementById("live");
let tag = main?.dataset.tag;
let lastGood = document.documentElement.dataset.kept === undefined ? new Date() : new Date(document.querySelector(".feet time").dateTime);

const clock = (t) => t.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

function busy() {
  // Never take the page from under someone who is in the middle of it.
  const at = document.activeElement;
  return main.contains(at) && at.matches("input, select, textarea, [role=slider]");
}

function swap(text) {
  const fresh = new DOMParser().parseFromString(text, "text/html").querySelector("main");
  if (!fresh) return;
  const open = [...main.querySelectorAll("details[open]")].map((d) => d.id);
  const focus = document.activeElement?.id;
  main.replaceChildren(...fresh.childNodes);
  for (const id of open) if (id) document.getElementById(id)?.setAttribute("open", "");
  document.dispatchEvent(new Event("swapped")); // other scripts add to what is there
  if (focus) document.getElementById(focus)?.focus({ preventScroll: true });
}

async function ask() {
  if (document.hidden || busy()) return;
  try {
    const answer = await fetch(location.href, { headers: { "If-None-Match": tag }, cache: "no-store" });
    if (answer.status === 200) {
      tag = answer.headers.get("ETag") ?? tag;
      swap(await answer.text());
    } else if (answer.status !== 304) {
      throw Object.assign(new Error(`answer ${answer.status}`), { status: answer.status });
    }
    lastGood = new Date();
    status.textContent = `Up to date at ${clock(lastGood)}.`;
    status.classList.remove("lost");
    const lost = document.getElementById("lost"); // of a page that is read from far
    if (lost) lost.hidden = true;
  } catch (problem) {
    if (problem.status === 401) location.assign("/sign-in?" + new URLSearchParams({ to: location.pathname + location.search }));
    status.textContent = `No answer from the agent since ${clock(lastGood)}: what you see may be old.`;
    status.classList.add("lost");
    const lost = document.getElementById("lost");
    if (lost) {
      lost.hidden = false;
      lost.textContent = `No contact with the agent since ${clock(lastGood)}. What you see is old.`;
    }
  }
}

if (main && status) {
  setInterval(ask, every);
  document.addEventListener("visibilitychange", ask);
}
