// Keeps the phone's pages, so that they open without a network. Answers for those pages and nothing else.
const CACHE = `phone-${VERSION}`;
const PAGES = /^\/(today|session\/\d+|log\/\d+|history(\/\d+)?|messages|check-in|pain|more|set\/[\d-]+)$/;
const PATIENCE_MS = 4000;

const isOurs = (response) => response.ok && !response.redirected
  && (response.headers.get("Content-Security-Policy") || "").includes("default-src 'none'");

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil((async () => {
    const kept = await caches.open(CACHE);
    await kept.addAll(ASSETS);
    for (const path of ["/today", "/check-in", "/pain"]) {
      try {
        const response = await fetch(path, { credentials: "same-origin" });
        if (isOurs(response)) await kept.put(path, response);
      } catch { /* Kept at the next visit. */ }
    }
  })());
});
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("phone-") && name !== CACHE) await caches.delete(name);
    await self.clients.claim();
  })());
});
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (ASSETS.includes(url.pathname + url.search)) event.respondWith(asset(event.request));
  else if (event.request.mode === "navigate" && PAGES.test(url.pathname)) event.respondWith(visit(event, url));
});
async function asset(request) {
  const kept = await caches.open(CACHE);
  const found = await kept.match(request);
  if (found) return found;
  const response = await fetch(request);
  if (response.ok) await kept.put(request, response.clone());
  return response;
}
async function visit(event, url) {
  const kept = await caches.open(CACHE);
  const found = await kept.match(url.pathname);
  const asked = fetch(event.request).then(async (response) => {
    // Only our own pages are kept: a sign-in page of the network is not. A page asked for in a special
    // way (with a query) is shown, not kept.
    if (isOurs(response) && !url.search) await kept.put(url.pathname, response.clone());
    if (response.status === 401) for (const one of await kept.keys()) if (PAGES.test(new URL(one.url).pathname)) await kept.delete(one);
    return response;
  });
  event.waitUntil(asked.catch(() => {}));
  try {
    const response = found ? await Promise.race([asked, new Promise((_, no) => setTimeout(no, PATIENCE_MS))]) : await asked;
    return found && response.status >= 500 ? found : response;
  } catch {
    return found || new Response(
      "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'><title>Not kept - Terrace</title><h1>This page is not kept on this phone</h1><p>There is no connection. <a href=/today>Go to today's session</a>.</p></html>",
      { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
  }
}
