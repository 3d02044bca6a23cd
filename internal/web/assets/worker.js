// Runs in the browser beside the pages of the bench, and while none is open: keeps
// one for when the bench is out of reach, shows what the bench sends, reports that it was shown, and takes answers. What comes is written by
// internal/alert/webpush/payload.go.

self.addEventListener("install", (e) => {
  self.skipWaiting();
  e.waitUntil(stock());
});
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));

// Where the bench is out of reach, a page says so instead of the browser. Nothing
// else is kept: what a page of the bench shows is true now, or not shown.

const larder = "offline";
const stocked = ["/offline", "/style.css", "/marks.css", "/phone.css", "/theme.css", "/phone.js", "/icon.svg"];
let fresh = false; // since this worker was started

async function stock() {
  const c = await caches.open(larder);
  fresh = await c.addAll(stocked.map((url) => new Request(url, { cache: "reload" }))).then(
    () => true,
    () => false, // the next visit tries again
  );
}

self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (e.request.mode === "navigate") e.respondWith(visit(e));
  else if (stocked.includes(url.pathname)) e.respondWith(fetch(e.request).catch(() => kept(url.pathname)));
});

async function visit(e) {
  try {
    const page = await fetch(e.request);
    if (!fresh) e.waitUntil(stock());
    return page;
  } catch {
    return kept("/offline");
  }
}

async function kept(path) {
  const c = await caches.open(larder);
  return (await c.match(path)) ?? Response.error();
}

self.addEventListener("push", (e) => e.waitUntil(arrive(e.data)));

async function arrive(data) {
  const m = read(data);
  await self.registration.showNotification(m.title, optionsFor(m));
  if (!m.phone) return;
  await remember(m.phone);
  // Nobody waits for the report: the bench shows that it is missing.
  await post("/push/received", { phone: m.phone, key: m.key }).catch(() => {});
}

function read(data) {
  try {
    const m = data.json();
    if (m?.title) return m;
  } catch {
    // said below: a browser that is pushed must show something
  }
  return { title: "The bench has something to say", text: "Open the page.", link: "/m" };
}

const over = ["returned", "taken", "test"];

function optionsFor(m) {
  const actions = [{ action: "open", title: "Open" }];
  if (m.alert && !over.includes(m.deed)) actions.unshift({ action: "acknowledge", title: "Acknowledge" });
  return {
    body: [m.text, ...(m.why ?? [])].filter(Boolean).join("\n"),
    tag: m.alert ?? m.key ?? "bench", // a later one about the same alert takes the place of the earlier
    renotify: !m.quiet,
    silent: m.deed === "taken",
    requireInteraction: m.severity === "danger" && !over.includes(m.deed),
    timestamp: m.made ?? Date.now(),
    icon: "/icon-192.png",
    actions,
    data: m,
  };
}

self.addEventListener("notificationclick", (e) => {
  e.notification.close();
  e.waitUntil(answer(e.action, e.notification.data ?? {}));
});

// An acknowledgement needs no page: a thumb on a lock screen is enough. Where it
// fails, a person must know.
async function answer(action, m) {
  if (action !== "acknowledge") return open(m.link);
  try {
    await post("/push/acknowledge", { phone: m.phone, alert: m.alert });
  } catch (err) {
    await self.registration.showNotification(`Not acknowledged: ${m.title}`, {
      ...optionsFor(m),
      body: `${err.message}. Open the page, or try again.`,
    });
  }
}

async function open(link) {
  const url = new URL(link || "/m", self.location.origin);
  if (!["https:", "http:"].includes(url.protocol)) return;
  const windows = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
  const there = windows.find((w) => w.url === url.href);
  await (there ? there.focus() : self.clients.openWindow(url.href));
}

// The browser took the subscription away, or it ran out: the bench gets the next.
self.addEventListener("pushsubscriptionchange", (e) => e.waitUntil(renew(e)));

async function renew(e) {
  const subscription = e.newSubscription ?? (await subscribe());
  await post("/push/renew", { phone: await phone(), old: e.oldSubscription?.endpoint, subscription });
}

async function subscribe() {
  const { key } = await (await fetch("/push/key")).json();
  return self.registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
}

// Which phone this is, for when the browser does not say what was subscribed.
const memory = "phone";

async function remember(id) {
  const c = await caches.open(memory);
  await c.put("/push/this-phone", new Response(id));
}

async function phone() {
  const c = await caches.open(memory);
  return (await c.match("/push/this-phone"))?.text();
}

async function post(path, body) {
  const r = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  if (r.ok) return r;
  const problem = await r.json().catch(() => ({}));
  throw new Error(problem.detail ?? `The bench answers ${r.status}`);
}
