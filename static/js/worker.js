// Keeps the pages of the hall for when there is no signal. It answers GET only; forms are the outbox's.
// VERSION (a digest of all static files) and ASSETS are put before this text by the server.
"use strict";

const STATIC = `static-${VERSION}`;
const HALL = /^\/programmes\/\d+\/(hall|grids\/\d+\/lists\/\d+|hall\/alone|outbox|(concerns|incidents)\/new|runs\/\d+\/(slip|end|build|laps\/by-hand))$/;
const ASKS = /\/(concerns|incidents)\/new/;   // pages that differ by what stands behind the question mark
const TIMEOUT = 6000;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(STATIC).then((cache) => Promise.all(ASSETS.map((url) => fetch(url).then((answer) => isFile(answer) && cache.put(url, answer)).catch(() => {})))).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("static-") && name !== STATIC) await caches.delete(name);
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event, url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method !== "GET") {
    if (url.pathname === "/sign-out") event.waitUntil(forget());
    return;
  }
  if (url.pathname.startsWith("/static/")) event.respondWith(asset(request));
  else if (request.mode === "navigate") event.respondWith(page(event, request, url));
});
self.addEventListener("message", (event) => {
  if (event.data?.keep) event.waitUntil(keep(event.data.keep, String(event.data.person)));
});

/** A network's login page answers everything with 200; kept as a script it would stay until the next update. */
const isFile = (answer) => answer.ok && !answer.redirected && !(answer.headers.get("Content-Type") || "").startsWith("text/html");

async function asset(request) {
  const cache = await caches.open(STATIC);
  const known = await cache.match(request);
  if (known) return known;
  try {
    const answer = await fetch(request);
    if (isFile(answer)) await cache.put(request, answer.clone()).catch(() => {});
    return answer;
  } catch (gone) {
    const near = await cache.match(request, { ignoreSearch: true });   // a page kept before an update asks for the older file
    if (near) return near;
    throw gone;
  }
}

/** Network first. A page is kept only when it is one of the hall's, whole, not redirected and made for a person. */
async function page(event, request, url) {
  const hall = HALL.test(url.pathname);
  try {
    const answer = hall ? await within(fetch(request)) : await fetch(request);
    const person = answer.headers.get("X-Page-Person");
    if (person) event.waitUntil(onlyOf(person));
    if (hall && fit(answer)) event.waitUntil(store(url.pathname + url.search, answer.clone(), person));
    if (hall && answer.status >= 502) return await kept(url) || answer;
    return answer;
  } catch (gone) {
    const found = await kept(url);
    if (found) return found;
    throw gone;
  }
}
const fit = (answer) => answer.status === 200 && !answer.redirected && answer.type === "basic" && answer.headers.get("X-Page-Person")
  && (answer.headers.get("Content-Type") || "").startsWith("text/html");
const within = (work) => Promise.race([work, new Promise((_, fail) => setTimeout(() => fail(new Error("too slow")), TIMEOUT))]);
const bare = (path) => path.split("?")[0];

async function store(path, answer, person) {
  const cache = await caches.open(`pages-${person}`);
  await cache.put(ASKS.test(path) ? path : bare(path), answer);
}
async function kept(url) {
  if (!HALL.test(url.pathname)) return null;
  for (const name of await caches.keys()) {                        // of one person only: see onlyOf
    if (!name.startsWith("pages-")) continue;
    const cache = await caches.open(name);
    const found = await cache.match(url.pathname + url.search) || !url.pathname.endsWith("/incidents/new") && await cache.match(url.pathname, { ignoreSearch: true });
    if (found) return found;
  }
  return null;
}
/** Another person's pages go as soon as one of this person's comes. */
async function onlyOf(person) {
  for (const name of await caches.keys()) if (name.startsWith("pages-") && name !== `pages-${person}`) await caches.delete(name);
}
async function forget() {
  for (const name of await caches.keys()) if (name.startsWith("pages-")) await caches.delete(name);
}
async function keep(paths, person) {
  for (const path of paths.slice(0, 50)) {
    if (!HALL.test(bare(path))) continue;
    try {
      const answer = await fetch(path, { headers: { "X-Keep": "1" }, redirect: "manual", credentials: "same-origin" });
      if (fit(answer) && answer.headers.get("X-Page-Person") === person) await store(path, answer, person);
    } catch { return; }
  }
  for (const client of await self.clients.matchAll()) client.postMessage({ kept: paths.length });
}
