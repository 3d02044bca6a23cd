// Keeps the page up to date, and says in big letters when nothing comes any
// more. The server renders everything; htmx puts it in place, and what ticks is
// set here.

import "./htmx.js";
import "htmx.org/dist/ext/hx-sse.js";
import "./marks.js";
import "./keys.js";

const silentAfter = 2500; // ms; the server gives a sign of life every second
const againAfter = 4000; // ms for a connection to bring something
const heldFor = 2000; // ms; parts wait while a finger or button is down, not longer

const { assets } = document.documentElement.dataset;
const now = document.getElementById("now");
const silence = document.getElementById("silence");
const last = document.getElementById("last");
const stream = document.getElementById("stream");

let connection; // the one under way, as htmx has it
let opened = performance.now(); // when it was opened
let heard = performance.now(); // when anything last came

stream.addEventListener("htmx:sse:after:connection", (e) => {
  connection = e.detail.connection;
  opened = performance.now();
});
stream.addEventListener("htmx:sse:before:message", (e) => {
  if (held) e.detail.waitUntil(held);
});
stream.addEventListener("htmx:sse:after:message", () => {
  alive();
  const title = document.querySelector("[data-title]")?.dataset.title;
  if (title) document.title = title;
});
stream.addEventListener("htmx:sse:error", (e) => {
  if (e.detail.status === 401) location.reload(); // whoever this was is logged out
});
stream.addEventListener("hello", (e) => {
  if (e.detail.data !== assets) location.reload(); // another version serves now
});
stream.addEventListener("time", (e) => {
  now.textContent = e.detail.data;
});
stream.addEventListener("ticks", (e) => {
  for (const [station, texts] of Object.entries(JSON.parse(e.detail.data))) tick(station, texts);
});

// tick sets the texts of a station wherever they stand in the page.
function tick(station, texts) {
  for (const part of document.querySelectorAll(`[data-of="${CSS.escape(station)}"]`)) {
    for (const [name, text] of Object.entries(texts)) {
      for (const at of part.querySelectorAll(`[data-tick="${name}"]`)) set(at, text);
    }
  }
}

function set(at, text) {
  if (at.dataset.tick === "done") at.setAttribute("width", text + "%");
  else if (at.textContent !== text) at.textContent = text;
}

// What is pressed must stay under the finger until the press is over.

let held; // a promise that the press is over
let letGo;
let release;

document.addEventListener("pointerdown", () => {
  held ??= new Promise((over) => (letGo = over));
  clearTimeout(release);
  release = setTimeout(goOn, heldFor);
});
for (const over of ["pointerup", "pointercancel"]) {
  document.addEventListener(over, () => {
    clearTimeout(release);
    release = setTimeout(goOn, 50); // the click comes in between
  });
}

function goOn() {
  held = undefined;
  letGo?.();
}

function alive() {
  heard = performance.now();
  show(false);
}

function show(silent) {
  if (silence.hidden !== silent) return;
  last.textContent = now.textContent;
  silence.hidden = !silent;
  document.documentElement.classList.toggle("silent", silent);
}

function check() {
  const t = performance.now();
  if (t - heard < silentAfter) return;
  show(true);
  if (t - Math.max(opened, heard) < againAfter) return;
  opened = t;
  connection?.reader?.cancel(); // it hangs: htmx opens another one
}

setInterval(check, 250);
document.addEventListener("visibilitychange", check);
window.addEventListener("pageshow", (e) => {
  if (e.persisted) location.reload();
});
