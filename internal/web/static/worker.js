// Keeps the recording pages at hand where there is no signal: what was opened once opens
// again. Everything else always comes from the server.
"use strict";
const shelf = "sealmanac-1";
const kept = url => url.origin === location.origin && (url.pathname.startsWith("/static/") || /^\/coach\/[^/]+(\/(walk\/[^/]+|turn))?$/.test(url.pathname) || url.pathname === "/board");
addEventListener("install", () => skipWaiting());
addEventListener("activate", e => e.waitUntil(clients.claim()));
addEventListener("fetch", e => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || !kept(url)) return;
  e.respondWith((async () => {
    try {
      const r = await fetch(e.request);
      if (r.ok && !r.redirected) { const c = await caches.open(shelf); c.put(e.request, r.clone()); }
      return r;
    } catch (err) {
      const old = await caches.match(e.request);
      if (old) return old;
      throw err;
    }
  })());
});
addEventListener("message", e => { if (e.data === "forget") e.waitUntil(caches.delete(shelf)); });
