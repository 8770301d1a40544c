// Loads the field pages where the agent does not answer. The agent comes first:
// only what it does not give within some seconds comes out of the phone's
// memory, and bears a mark; what is not remembered is waited for. Records and answers
// never go through here.
const memory = "arcdrift-pages";
const patience = 4000;
const edition = "/static/EDITION/"; // the agent writes its own
const shell = [
  "/log?choose=1", "/moved?choose=1", "/service", "/start", "/phone",
  ...["style.css", "keep.js", "keypad.js", "live.js", "offline.js", "queue.js", "record.js", "send.js", "along.js", "site-check.js", "phone.js"].map((f) => edition + f),
  "/static/icon.svg", "/static/manifest.json",
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

// Files of other editions go when this one is complete.
async function clear() {
  const cache = await caches.open(memory);
  const old = (kept) => /^\/static\/.+\//.test(new URL(kept.url).pathname) && !new URL(kept.url).pathname.startsWith(edition);
  await Promise.all((await cache.keys()).filter(old).map((kept) => cache.delete(kept)));
}

addEventListener("activate", (event) => event.waitUntil(Promise.all([clear(), clients.claim()])));

// aged says whether a page shows what was known at a moment: those who look at it must see
// how old it is, and nobody sees it who has signed out.
const aged = (url) => /^\/(morning|alerts|machines\/[^/]+)$/.test(url.pathname);

// forget forgets what only those may see who are signed in.
async function forget() {
  const cache = await caches.open(memory);
  await Promise.all((await cache.keys()).filter((kept) => aged(new URL(kept.url))).map((kept) => cache.delete(kept)));
}

const mostMachines = 60;

// keep remembers a page; of the pages of machines the latest.
async function keep(place, copy) {
  const cache = await caches.open(memory);
  await cache.put(place, copy);
  const machines = (await cache.keys()).filter((kept) => new URL(kept.url).pathname.startsWith("/machines/"));
  await Promise.all(machines.slice(0, -mostMachines).map((kept) => cache.delete(kept)));
}

// placeOf is where a page is remembered: forms by their machine, no answers.
function placeOf(url) {
  const machine = url.searchParams.get("machine");
  if (url.pathname.startsWith("/static/") || url.pathname === "/phone" || (url.pathname === "/start" && !url.search) || url.pathname === "/help" || url.pathname.startsWith("/help/")) return url.pathname;
  if (aged(url)) return url.searchParams.has("as_of") ? undefined : url.pathname;
  if (url.pathname === "/moved") return machine ? "/moved?" + new URLSearchParams({ machine }) : "/moved?choose=1";
  if (url.pathname === "/service") return machine ? `${url.pathname}?${new URLSearchParams({ machine })}` : url.pathname;
  if (url.pathname === "/log") return machine ? "/log?" + new URLSearchParams({ machine }) : "/log" + url.search;
  return undefined;
}

async function remembered(url) {
  const cache = await caches.open(memory);
  const instead = { "/log": "/log?choose=1", "/moved": "/moved?choose=1", "/service": "/service", "/start": "/start" }[url.pathname] ?? "/phone";
  // A page that was kept before an upgrade names files of an edition that is gone.
  if (url.pathname.startsWith("/static/")) return (await cache.match(placeOf(url))) ?? cache.match(edition + url.pathname.split("/").pop());
  return marked((await cache.match(placeOf(url) ?? instead)) ?? (await cache.match(instead)));
}

// marked says in the page that it comes out of the phone's memory.
async function marked(page) {
  if (!page) return undefined;
  const headers = new Headers(page.headers);
  for (const name of ["Content-Encoding", "Content-Length"]) headers.delete(name); // it is unpacked
  return new Response((await page.text()).replace("<html ", '<html data-kept="" '), { status: page.status, headers });
}

// unknown is for a phone that the agent does not know: what works without it, or
// the way to sign in. Browsers ask for a password only where no script stands
// between, so that page does not go through here.
async function unknown(url) {
  if (aged(url)) await forget();
  const here = !aged(url) && placeOf(url) && (await remembered(url));
  return here || Response.redirect("/sign-in?" + new URLSearchParams({ to: url.pathname + url.search }), 303);
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
      event.waitUntil(keep(placeOf(url), copy));
    }
    return answer;
  } catch {
    return (await remembered(url)) ?? fresh;
  }
}

addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(forget());
  const page = event.request.mode === "navigate" || url.pathname.startsWith("/static/");
  if (event.request.method === "GET" && url.origin === location.origin && page && url.pathname !== "/sign-in") event.respondWith(give(event, url));
});
