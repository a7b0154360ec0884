"use strict";
// Keeps what was looked at last, so that a page that is open at the bed opens again without a connection.
const KEPT = "strandbook-1";
const MOST = 60;
const page = (request) => request.mode === "navigate";
self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(["/static/bench.css", "/static/bench.js", "/static/mark.svg"])).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys().then((names) => Promise.all(names.filter((name) => name !== KEPT).map((name) => caches.delete(name)))).then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const path = new URL(request.url).pathname;
  if (request.method !== "GET" || path.startsWith("/live") || path.startsWith("/api") || path === "/pair" || !(page(request) || path.startsWith("/static/"))) return;
  event.respondWith((async () => {
    const kept = await caches.open(KEPT);
    try {
      const answer = await fetch(request);
      if (answer.redirected && new URL(answer.url).pathname === "/pair") await caches.delete(KEPT);
      else if (answer.ok) {
        await kept.put(request, answer.clone());
        const old = await kept.keys();
        await Promise.all(old.slice(0, Math.max(0, old.length - MOST)).map((each) => kept.delete(each)));
      }
      return answer;
    } catch (error) {
      const found = await kept.match(request, { ignoreSearch: false }) || (page(request) && await kept.match(path, { ignoreSearch: true }));
      if (found) return found;
      throw error;
    }
  })());
});
