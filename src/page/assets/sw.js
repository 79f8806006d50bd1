// Keeps the page itself on the phone, so that it opens without a connection. What was entered and answered is kept elsewhere (lib/store.js).
//
// All files of one version are kept together: a page is never half old and half new. A new version is fetched whole, then shown as ready.

const SHELL = [
  '/', '/style.css', '/texts.js', '/app.js', '/recorder-worklet.js', '/manifest.webmanifest', '/icon-192.png', '/icon-512.png',
  '/lib/bus.js', '/lib/chart.js', '/lib/dom.js', '/lib/format.js', '/lib/live.js', '/lib/net.js', '/lib/pad.js', '/lib/parts.js', '/lib/photo.js',
  '/lib/sound.js', '/lib/store.js', '/lib/strokemap.js', '/lib/sync.js', '/lib/theme.js',
  '/views/check.js', '/views/checks.js', '/views/concerns.js', '/views/good.js', '/views/handover.js', '/views/home.js', '/views/kept.js',
  '/views/map.js', '/views/more.js', '/views/pair.js', '/views/parts.js', '/views/point.js', '/views/readings.js', '/views/record.js',
  '/views/trends.js', '/views/verdict.js', '/views/walk.js', '/views/work.js',
];
const STEM = 'seatsong-page-';

async function current() {
  const names = (await caches.keys()).filter((n) => n.startsWith(STEM)).sort();
  return names.length > 0 ? names[names.length - 1] : null;
}

/** Fetches all files; puts them into a cache of their own if one of them is new. Returns whether that was so. */
async function renew() {
  const answers = await Promise.all(SHELL.map((path) => fetch(path, { cache: 'no-cache', credentials: 'same-origin' })));
  if (answers.some((a) => !a.ok || a.redirected)) return false;
  const name = await current();
  if (name) {
    const old = await caches.open(name);
    const tags = await Promise.all(SHELL.map(async (path) => ((await old.match(path)) || new Response()).headers.get('ETag')));
    if (answers.every((a, i) => a.headers.get('ETag') && a.headers.get('ETag') === tags[i])) return false;
  }
  const fresh = `${STEM}${Date.now()}`;
  const cache = await caches.open(fresh);
  await Promise.all(SHELL.map((path, i) => cache.put(path, answers[i])));
  for (const key of await caches.keys()) {
    if (key.startsWith(STEM) && key !== fresh) await caches.delete(key);
  }
  return Boolean(name);
}

self.addEventListener('install', (event) => {
  event.waitUntil(renew().then(() => self.skipWaiting()));
});

self.addEventListener('activate', (event) => {
  event.waitUntil(self.clients.claim());
});

self.addEventListener('message', (event) => {
  if (event.data !== 'look') return;
  event.waitUntil(
    renew()
      .then((fresh) => {
        if (fresh && event.source) event.source.postMessage('fresh');
      })
      .catch(() => {}),
  );
});

self.addEventListener('fetch', (event) => {
  const { pathname, origin } = new URL(event.request.url);
  if (event.request.method !== 'GET' || origin !== self.location.origin || !SHELL.includes(pathname)) return;
  event.respondWith(
    (async () => {
      const name = await current();
      const kept = name ? await (await caches.open(name)).match(pathname) : null;
      return kept || fetch(event.request);
    })(),
  );
});
