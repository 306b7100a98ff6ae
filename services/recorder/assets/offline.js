// Runs beside the pages: when a page cannot be had because the network is down, the one that tells
// so and lists what waits is shown instead. It keeps that page and the assets, no data of the shop.

const KEPT = "pulverlog-offline";
const PAGE = "/offline";

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const kept = await caches.open(KEPT);
    const page = await fetch(PAGE);
    const text = await page.clone().text();
    await kept.put(PAGE, page);
    // What the page names, and what the scripts it names import from beside them.
    const named = [...text.matchAll(/(?:href|src)="(\/assets\/[^"]+)"/g)].map((match) => match[1]);
    const root = named[0].slice(0, named[0].lastIndexOf("/"));
    await kept.addAll([...new Set([...named, `${root}/queue.js`, `${root}/camera.js`])]);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.mode === "navigate" && request.method === "GET") {
    event.respondWith(fetch(request).catch(async () => (await caches.match(PAGE)) ?? Response.error()));
  } else if (new URL(request.url).pathname.startsWith("/assets/")) {
    event.respondWith(fetch(request).catch(async () => (await caches.match(request)) ?? Response.error()));
  }
});
