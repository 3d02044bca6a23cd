// Brings the page up to date, and says in big letters when nothing comes any
// more. The server renders everything: an element is taken over as it is.

import "./marks.js";
import "./keys.js";

const silentAfter = 2500; // ms; the server gives a sign of life every second
const againAfter = 4000; // ms for a connection to bring something
const heldFor = 2000; // ms; parts wait while a finger or button is down, not longer

const { assets, live } = document.documentElement.dataset;
const now = document.getElementById("now");
const silence = document.getElementById("silence");
const last = document.getElementById("last");

let stream;
let opened = 0; // when the stream was opened
let heard = performance.now(); // when anything last came

function open() {
  stream?.close();
  opened = performance.now();
  stream = new EventSource(live);
  stream.addEventListener("hello", (e) => {
    if (e.data !== assets) location.reload(); // another version serves now
  });
  stream.addEventListener("part", (e) => {
    if (waiting) waiting.push(e.data);
    else take(e.data);
    alive();
  });
  stream.addEventListener("time", (e) => {
    now.textContent = e.data;
    alive();
  });
}

// What is pressed must stay under the finger until the press is over.

let waiting; // parts that came meanwhile
let release;

document.addEventListener("pointerdown", () => {
  waiting ??= [];
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
  const parts = waiting ?? [];
  waiting = undefined;
  parts.forEach(take);
}

function take(html) {
  const holder = document.createElement("template");
  holder.innerHTML = html;
  const fresh = holder.content.firstElementChild;
  const old = document.getElementById(fresh?.id);
  if (!old) return;
  const focus = document.activeElement;
  const within = old.contains(focus);
  patch(old, fresh);
  if (focus !== document.activeElement && focus.isConnected) focus.focus({ preventScroll: true });
  else if (within && !focus.isConnected) old.focus({ preventScroll: true }); // the station stays selected
  if (fresh.dataset.title) document.title = fresh.dataset.title;
}

// patch makes an element like another one and touches only what differs, so
// that focus and selection stay where they are. Children are known again by
// their kind: what has gone is removed first, so that the rest need not move.
function patch(old, fresh) {
  if (old.isEqualNode(fresh)) return;
  if (old.nodeType !== Node.ELEMENT_NODE) {
    old.data = fresh.data;
    return;
  }
  patchAttributes(old, fresh);
  const wanted = [...fresh.childNodes];
  const kinds = new Set(wanted.map(kind));
  for (const child of [...old.childNodes]) if (!kinds.has(kind(child))) child.remove();
  let at = old.firstChild;
  for (const want of wanted) {
    while (at?.nodeType === Node.TEXT_NODE && want.nodeType !== Node.TEXT_NODE) at = drop(at);
    let same = at;
    while (same && kind(same) !== kind(want)) same = same.nextSibling;
    if (!same || (same !== at && want.nodeType === Node.TEXT_NODE)) {
      old.insertBefore(want, at);
      continue;
    }
    if (same === at) at = at.nextSibling;
    else old.insertBefore(same, at);
    patch(same, want);
  }
  while (at) at = drop(at);
}

function kind(node) {
  return node.id || node.nodeName + (node.classList?.[0] ?? "");
}

function drop(node) {
  const next = node.nextSibling;
  node.remove();
  return next;
}

// What only the browser knows stays: a first tap, and what somebody opened.
const kept = new Set(["data-armed", "open"]);

function patchAttributes(old, fresh) {
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name) && !kept.has(name)) old.removeAttribute(name);
  }
  for (const { name, value } of fresh.attributes) {
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
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
  if (t - Math.max(opened, heard) > againAfter) open();
}

setInterval(check, 250);
document.addEventListener("visibilitychange", check);
window.addEventListener("pageshow", (e) => {
  if (e.persisted) open();
});
open();
