// Keeps the pages that update themselves in the memory of the browser, so that the home screen opens at once, and a page is there while
// the boat does not answer. The page says how old it is, and fetches itself anew. A page is kept at most once a minute.
"use strict";
const kept = "pages", files = "files", most = 30, patience = 2000;
const forget = () => caches.delete(kept);
const keyOf = (address) => { const to = new URL(address); for (const name of ["home", "said"]) to.searchParams.delete(name); to.hash = ""; return to.href; };
const keptAt = new Map();

const keep = async (key, answer) => {
  if (!answer.ok || answer.redirected || Date.now() - (keptAt.get(key) || 0) < 60000) return;
  const page = await answer.text(), headers = new Headers(answer.headers);
  if (!page.includes(' data-live="')) return; // it does not update itself
  keptAt.set(key, Date.now());
  for (const name of ["content-encoding", "content-length"]) headers.delete(name);
  const cache = await caches.open(kept), had = await cache.keys();
  await cache.put(key, new Response(page.replace("<body", '<body data-kept="' + Date.now() + '"'), { headers }));
  for (const old of had.filter((r) => r.url !== key).slice(0, Math.max(0, had.length + 1 - most))) await cache.delete(old);
};

// pageOf asks the server; a token that is no longer valid shows nothing that is kept.
const pageOf = async (e, key) => {
  const answer = await fetch(e.request);
  if (answer.status === 401) await forget();
  else e.waitUntil(keep(key, answer.clone()).catch(() => {}));
  return answer;
};

const open = async (e, key) => {
  const had = await (await caches.open(kept)).match(key), asked = pageOf(e, key);
  if (!had) return asked;
  e.waitUntil(asked.catch(() => {}));
  if (new URL(e.request.url).searchParams.has("home")) return had;
  return Promise.race([asked.catch(() => had), new Promise((done) => setTimeout(done, patience, had))]);
};

// fileOf is what was kept of a file; the next page has it as it is then.
const fileOf = async (e) => {
  const cache = await caches.open(files), had = await cache.match(e.request);
  const asked = fetch(e.request).then(async (answer) => { if (answer.ok) await cache.put(e.request, answer.clone()); return answer; });
  if (!had) return asked;
  e.waitUntil(asked.catch(() => {}));
  return had;
};

addEventListener("install", () => skipWaiting());
addEventListener("activate", (e) => e.waitUntil(clients.claim()));
addEventListener("fetch", (e) => {
  const { request } = e, url = new URL(request.url), key = keyOf(request.url);
  if (url.origin !== location.origin) return;
  if (request.method !== "GET") {
    if (request.mode === "navigate") e.waitUntil(forget()); // what is kept is of before
  } else if (request.mode === "navigate") e.respondWith(open(e, key));
  else if (request.headers.get("accept") === "text/html") e.respondWith(pageOf(e, key));
  else if (url.pathname.startsWith("/static/")) e.respondWith(fileOf(e));
});
