// Opens the walk without signal: the last page of it and what it needs are kept by the browser.
// The farm is asked first and given three seconds; notes never pass through here.

const KEPT = "slackwater-walk-2";
const FILES = [
  "/static/css/inks.css",
  "/static/css/sheet.css",
  "/static/css/walk.css",
  "/static/js/walk.js",
  "/static/js/walk-places.js",
  "/static/js/walk-store.js",
  "/static/js/walk-thumb.js",
  "/static/js/walk-voice.js",
];
const WAIT_MS = 3000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(KEPT)
      .then((kept) => kept.addAll([...FILES, "/walk/"]))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  const old = (names) =>
    names.filter((name) => name.startsWith("slackwater-walk-") && name !== KEPT);
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(old(names).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

const isWalk = (path) => path === "/walk/" || /^\/(walk|t)\/[A-Za-z0-9.]+\/$/.test(path);

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin) return;
  if (event.request.mode === "navigate" && isWalk(url.pathname))
    event.respondWith(page(event.request, url.pathname));
  else if (FILES.includes(url.pathname) || /^\/walk\/strains\//.test(url.pathname))
    event.respondWith(file(event.request));
});

async function page(request, path) {
  const kept = await caches.open(KEPT);
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(WAIT_MS) });
    if (answer.ok && path === "/walk/" && !answer.redirected)
      await kept.put("/walk/", answer.clone());
    if (answer.status < 500) return answer;
  } catch {
    // No signal, or the farm is slow: the kept page below.
  }
  return (await kept.match("/walk/")) ?? Response.error();
}

async function file(request) {
  const kept = await caches.open(KEPT);
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(WAIT_MS) });
    if (answer.ok) await kept.put(request, answer.clone());
    return answer;
  } catch {
    return (await kept.match(request)) ?? Response.error();
  }
}
