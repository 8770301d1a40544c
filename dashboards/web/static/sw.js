// Loads the field pages where the agent does not answer. The agent comes first:
// only what it does not give within some seconds comes out of the phone's
// memory; what is not remembered is waited for. Records and answers never go through here.
const memory = "arcdrift-pages";
const patience = 4000;
const shell = [
  "/log?choose=1", "/moved", "/service", "/phone",
  ...["style.css", "icon.svg", "keypad.js", "live.js", "offline.js", "queue.js", "record.js", "send.js", "along.js", "site-check.js", "phone.js", "manifest.json"].map((f) => "/static/" + f),
];

addEventListener("install", (event) => {
  const fill = async () => {
    const cache = await caches.open(memory);
    // The manual: its table of contents names its pages.
    const contents = await (await fetch("/help", { cache: "reload" })).text();
    shell.push("/help", ...Array.from(contents.matchAll(/href="(\/help\/[a-z-]+)"/g), (found) => found[1]));
    await cache.addAll(shell.map((path) => new Request(path, { cache: "reload" })));
    await skipWaiting();
  };
  event.waitUntil(fill());
});

addEventListener("activate", (event) => event.waitUntil(clients.claim()));

// placeOf is where a page is remembered: forms by their machine, no answers.
function placeOf(url) {
  const machine = url.searchParams.get("machine");
  if (url.pathname.startsWith("/static/") || url.pathname === "/phone" || url.pathname === "/help" || url.pathname.startsWith("/help/")) return url.pathname;
  if (url.pathname === "/moved" || url.pathname === "/service") return machine ? `${url.pathname}?${new URLSearchParams({ machine })}` : url.pathname;
  if (url.pathname === "/log") return machine ? "/log?" + new URLSearchParams({ machine }) : "/log" + url.search;
  return undefined;
}

async function remembered(url) {
  const cache = await caches.open(memory);
  const instead = { "/log": "/log?choose=1", "/moved": "/moved", "/service": "/service" }[url.pathname] ?? "/phone";
  return (await cache.match(placeOf(url) ?? instead)) ?? (url.pathname.startsWith("/static/") ? undefined : cache.match(instead));
}

// unknown is for a phone that the agent does not know: what works without it, or
// the way to sign in. Browsers ask for a password only where no script stands
// between, so that page does not go through here.
async function unknown(url) {
  const here = placeOf(url) && (await remembered(url));
  return here ?? Response.redirect("/sign-in?" + new URLSearchParams({ to: url.pathname + url.search }), 303);
}

async function give(event, url) {
  // Asked as a script asks, the agent says that it does not know the phone and
  // does not make the browser ask for a password here.
  const fresh = fetch(event.request.mode === "navigate" ? new Request(event.request, { redirect: "manual" }) : event.request);
  const late = new Promise((_, failed) => { if (placeOf(url)) setTimeout(failed, patience); });
  try {
    const answer = await Promise.race([fresh, late]);
    if (answer.status === 401) return unknown(url);
    if (answer.ok && placeOf(url) === url.pathname + url.search) {
      const copy = answer.clone();
      event.waitUntil(caches.open(memory).then((cache) => cache.put(placeOf(url), copy)));
    }
    return answer;
  } catch {
    return (await remembered(url)) ?? fresh;
  }
}

addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const page = event.request.mode === "navigate" || url.pathname.startsWith("/static/");
  if (event.request.method === "GET" && url.origin === location.origin && page && url.pathname !== "/sign-in") event.respondWith(give(event, url));
});
