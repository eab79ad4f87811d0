/**
 * Keeps the page for use without a network. A classic script of its own; `cargo xtask dist` fills in the version and the
 * files. A new version is fetched whole beside the old one and waits until the page says that it may take over.
 */
(() => {
  const VERSION = "VERSION";
  const FILES = ["FILES"];
  const NAME = `ringdown-${VERSION}`;
  const here = /** @type {any} */ (self);

  /** All or nothing: a version that is kept in part would be worse than none. */
  async function keep() {
    const cache = await caches.open(NAME);
    await cache.addAll(FILES.map((file) => new Request(file, { cache: "reload" })));
  }

  async function takeOver() {
    for (const name of await caches.keys()) if (name.startsWith("ringdown-") && name !== NAME) await caches.delete(name);
    await here.clients.claim();
  }

  /** The file of ours that an address names, or null. @param {string} address @returns {string | null} */
  function ours(address) {
    const scope = new URL(here.registration.scope);
    const { origin, pathname } = new URL(address);
    if (origin !== scope.origin || !pathname.startsWith(scope.pathname)) return null;
    const file = pathname.slice(scope.pathname.length) || "index.html";
    return FILES.includes(file) ? file : null;
  }

  here.addEventListener("install", (/** @type {any} */ event) => event.waitUntil(keep()));
  here.addEventListener("activate", (/** @type {any} */ event) => event.waitUntil(takeOver()));
  here.addEventListener("message", (/** @type {any} */ event) => {
    if (event.data === "take over") here.skipWaiting();
    if (event.data === "kept?") event.ports[0]?.postMessage(VERSION);
  });
  here.addEventListener("fetch", (/** @type {any} */ event) => {
    const file = event.request.method === "GET" ? ours(event.request.url) : null;
    if (file === null) return; // the browser's own way
    const kept = caches.open(NAME).then((cache) => cache.match(new URL(file, here.registration.scope).href));
    event.respondWith(kept.then((answer) => answer ?? Response.error()));
  });
})();
