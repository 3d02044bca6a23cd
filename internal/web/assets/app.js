"use strict";

// Brings the page up to date, and says in big letters when nothing comes any
// more. The server renders everything: an element is taken over as it is.

const silentAfter = 2500; // ms; the server gives a sign of life every second
const againAfter = 4000; // ms for a connection to bring something

const assets = document.documentElement.dataset.assets;
const now = document.getElementById("now");
const silence = document.getElementById("silence");
const last = document.getElementById("last");

let stream;
let opened = 0; // when the stream was opened
let heard = performance.now(); // when anything last came

function open() {
  stream?.close();
  opened = performance.now();
  stream = new EventSource("/live");
  stream.addEventListener("hello", (e) => {
    if (e.data !== assets) location.reload(); // another version serves now
  });
  stream.addEventListener("part", (e) => {
    const fresh = parse(e.data);
    const old = document.getElementById(fresh?.id);
    if (old) patch(old, fresh);
    if (fresh?.id === "summary") document.title = fresh.dataset.title;
    alive();
  });
  stream.addEventListener("time", (e) => {
    now.textContent = e.data;
    alive();
  });
}

function parse(html) {
  const holder = document.createElement("template");
  holder.innerHTML = html;
  return holder.content.firstElementChild;
}

// patch makes an element like another one and touches only what differs, so
// that focus and selection stay where they are.
function patch(old, fresh) {
  if (old.isEqualNode(fresh)) return;
  const a = [...old.childNodes];
  const b = [...fresh.childNodes];
  if (old.nodeName !== fresh.nodeName || a.length !== b.length || a.length === 0) {
    old.replaceWith(fresh);
    return;
  }
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  }
  for (const { name, value } of fresh.attributes) {
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  a.forEach((node, i) => patch(node, b[i]));
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
