// Keeps the files of the live page, so that it opens without the vehicle and can say that it is not connected. Whatever is
// read or acted on is never kept and never answered from here.
"use strict";

const KEPT = "uphaul-page";
const FILES = [
  "/", "/app.js", "/acting.js", "/alerts.js", "/changes.js", "/device.js", "/live.js", "/nearest.js", "/owner.js", "/prompts.js", "/readings.js", "/replay.js",
  "/rows.js", "/sound.js", "/words.js", "/style.css", "/live.css", "/icon.svg", "/manifest.webmanifest",
];
const PATIENCE_MS = 4000;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(self.clients.claim());
});

// The vehicle first: what is kept is only for when it does not answer.
async function file(request, path) {
  const kept = await caches.open(KEPT);
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.ok && !answer.redirected) await kept.put(path, answer.clone());
    return answer;
  } catch {
    return (await kept.match(path)) ?? Response.error();
  }
}

self.addEventListener("fetch", (event) => {
  const { origin, pathname } = new URL(event.request.url);
  if (event.request.method !== "GET" || origin !== self.location.origin || !FILES.includes(pathname)) return;
  event.respondWith(file(event.request, pathname));
});
