// Lets alerts reach this browser, tries it, and ends it.

const $ = (id) => document.getElementById(id);
const form = $("subscribe");
const here = $("here");
const arriveWithin = 20000; // ms for a test to be reported
const subscribeWithin = 15000; // ms for the browser's push service to answer

const say = (text) => ($("said").textContent = text);

const kept = (key) => {
  try {
    return localStorage.getItem(key);
  } catch {
    return null; // storage is switched off
  }
};

const keep = (key, value) => {
  try {
    if (value === null) localStorage.removeItem(key);
    else localStorage.setItem(key, value);
  } catch {
    // asked for again next time
  }
};

// missing says what this browser lacks, "" for nothing.
function missing() {
  if (!isSecureContext) return "A browser lets pages send alerts only under https.";
  if (!("serviceWorker" in navigator)) return "This browser has no workers: use a current one, and no private window.";
  if (!("PushManager" in window) || !("Notification" in window)) {
    return "This browser does not let this page send alerts. On an iPhone or iPad, add it to the Home Screen first.";
  }
  return "";
}

let registration;

async function start() {
  for (const b of document.querySelectorAll("[data-remove]")) b.hidden = false;
  if ("unready" in form.dataset) return; // the page says what is missing
  const why = missing();
  if (why) return say(why);
  registration = await navigator.serviceWorker.register("/worker.js");
  await navigator.serviceWorker.ready;
  form.elements.person.value = kept("by") ?? "";
  await show();
}

// show offers what can be done now.
async function show() {
  const subscribed = Boolean(await registration.pushManager.getSubscription()) && Boolean(kept("phone"));
  form.hidden = subscribed;
  here.hidden = !subscribed;
}

async function subscribe() {
  if ((await Notification.requestPermission()) !== "granted") {
    throw new Error("The browser was told not to show notifications of this page: change that in its settings");
  }
  const { key } = await (await fetch("/push/key")).json();
  const options = { userVisibleOnly: true, applicationServerKey: bytes(key) };
  const subscription = await soon(
    registration.pushManager.subscribe(options).catch(async (err) => {
      const old = await registration.pushManager.getSubscription();
      if (!old) throw err;
      await old.unsubscribe(); // made with another key: the bench is another one
      return registration.pushManager.subscribe(options);
    }),
  );
  const { person, device } = Object.fromEntries(new FormData(form));
  const phone = await (await post("/push/subscribe", { subscription, person, device })).json();
  keep("phone", phone.id);
  keep("by", phone.person);
  return "Subscribed. Send a test to see that it arrives.";
}

// soon gives up waiting: some browsers never say that they reach no push service.
function soon(promise) {
  const late = new Error("the push service of this browser does not answer: is there a way to the internet?");
  return Promise.race([promise, new Promise((_, fail) => setTimeout(() => fail(late), subscribeWithin))]);
}

function bytes(base64url) {
  const text = atob(base64url.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(text, (c) => c.charCodeAt(0));
}

async function attempt() {
  const { key } = await (await post("/push/try", { phone: kept("phone") })).json();
  say("The push service has it. Waiting for it to arrive…");
  for (const end = performance.now() + arriveWithin; performance.now() < end; ) {
    const all = await (await fetch("/push/phones")).json();
    if (all.some((p) => p.last_arrived === key)) return "It has arrived.";
    await new Promise((done) => setTimeout(done, 500));
  }
  return "The push service has it, but this phone has not shown it yet.";
}

async function leave(id) {
  await post("/push/unsubscribe", { phone: id });
  if (id === kept("phone")) {
    keep("phone", null);
    await (await registration?.pushManager.getSubscription())?.unsubscribe();
  }
  return "Removed.";
}

// during runs what a button does, and says what came of it.
async function during(button, what, doing) {
  button.disabled = true;
  say(what);
  try {
    say(await doing());
  } catch (err) {
    say(`That did not work: ${err.message}`);
  }
  button.disabled = false;
  if (registration) await show();
  await refresh();
}

// refresh takes over the list as the server shows it now.
async function refresh() {
  const page = new DOMParser().parseFromString(await (await fetch("/phone")).text(), "text/html");
  $("phones").replaceWith(page.getElementById("phones"));
  for (const b of document.querySelectorAll("[data-remove]")) b.hidden = false;
}

async function post(path, body) {
  const r = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  if (r.ok) return r;
  const problem = await r.json().catch(() => ({}));
  throw new Error(problem.detail ?? `the bench answers ${r.status}`);
}

form.addEventListener("submit", (e) => {
  e.preventDefault();
  during(e.submitter ?? form.querySelector("button"), "Subscribing…", subscribe);
});
$("try").addEventListener("click", (e) => during(e.currentTarget, "Sending…", attempt));
$("leave").addEventListener("click", (e) => during(e.currentTarget, "Removing…", () => leave(kept("phone"))));
document.addEventListener("click", (e) => {
  const b = e.target.closest("[data-remove]");
  if (b) during(b, "Removing…", () => leave(b.dataset.remove));
});

start().catch((err) => say(`That did not work: ${err.message}`));
