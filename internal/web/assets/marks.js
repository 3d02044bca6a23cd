// What a person does: takes over the forms of the page, asks in a dialog what they
// still need, and shows the answer of the bench, which it gives as it stands.

const sureWithin = 3000; // ms for the second tap on stop
const bounce = 250; // ms; a tap this soon after the first is the same tap
const again = 800; // ms after an act in which a finger presses nothing else: what it meant has moved
const answerWithin = 5000; // ms for the bench to answer
const shownFor = 5000; // ms; a trouble stays until the next answer
const undoFor = 15000; // ms for what can be undone

document.addEventListener("submit", (e) => {
  const form = e.target;
  if (!form.matches("form.acts, form.marks")) return;
  e.preventDefault();
  const button = e.submitter;
  if (!button || (!form.matches(".undo") && slipped(form)) || (button.value === "stop" && !sure(button, form.dataset.name))) return;
  form.closest("dialog")?.close();
  send(form, button);
});

// A finger that comes down just after an act, or just after a button came to stand
// for another alert, meant what stood there before. Keys always mean what they say.

let pressed = -Infinity; // when a finger last came down
let acted = -Infinity; // when one last did something
const changed = new WeakMap(); // form: when it came to stand for another alert

document.addEventListener("pointerdown", () => (pressed = performance.now()), true);
document.addEventListener("keydown", () => (pressed = -Infinity), true);
new MutationObserver((all) => all.forEach((m) => changed.set(m.target, performance.now()))).observe(document.body, {
  subtree: true,
  attributes: true,
  attributeFilter: ["data-alert"],
});

function slipped(form) {
  if (pressed === -Infinity) return false;
  const slip = pressed - acted < again || pressed - (changed.get(form) ?? -Infinity) < again;
  if (slip) say("That was too quick: look again, then tap");
  return slip;
}

document.addEventListener("click", (e) => {
  const opener = e.target.closest("[data-open]");
  const dialog = opener && document.getElementById(opener.dataset.open);
  if (dialog) {
    e.preventDefault();
    openFor(dialog, opener.closest("form.marks"));
  }
  e.target.closest("[data-close]")?.closest("dialog").close();
});

// openFor opens a dialog about a station.
function openFor(dialog, from) {
  if (from) {
    const { name } = from.dataset;
    for (const form of dialog.querySelectorAll("form")) {
      form.reset();
      form.action = from.action;
      form.dataset.name = name;
    }
    dialog.querySelector(".about").textContent = name;
    showGoal(dialog, from.dataset);
  }
  dialog.showModal();
}

// showGoal says in the dialog about goals what is armed, and offers what can be
// done about it.
function showGoal(dialog, { goal, ended }) {
  const now = dialog.querySelector(".goal-now");
  if (!now) return;
  now.textContent = goal ?? "";
  dialog.querySelector(".when-armed").hidden = !goal;
  dialog.querySelector(".when-ended").hidden = Boolean(goal) || !ended;
}

// sure reports the second tap. The first one arms the button for a while.
function sure(button, name) {
  const first = Number(button.dataset.armed ?? 0);
  const t = performance.now();
  if (first && t - first < bounce) return false;
  if (first && t - first < sureWithin) {
    delete button.dataset.armed;
    return true;
  }
  button.dataset.armed = t;
  say(`Once more within 3 seconds to stop ${name}`);
  setTimeout(() => {
    if (button.dataset.armed === String(t)) delete button.dataset.armed;
  }, sureWithin);
  return false;
}

// send sends a form as it is, signed, and shows what comes back. While one is
// under way another press of the same is none; the button is not disabled for
// that, which would take the focus away from it.
const underWay = new WeakSet();

async function send(form, button) {
  if (underWay.has(form)) return;
  underWay.add(form);
  await act(form, button);
  underWay.delete(form);
}

async function act(form, button) {
  const by = await signature();
  if (by === undefined) return say("Nothing was done");
  acted = performance.now();
  const fields = new FormData(form);
  fields.set(button.name, button.value);
  if (by) fields.set("by", by);
  if (button.value === "stop") fields.set("sure", "1"); // tapped twice
  try {
    const r = await fetch(form.action, {
      method: "POST",
      headers: { "HX-Request": "true" },
      body: new URLSearchParams(fields),
      signal: AbortSignal.timeout(answerWithin),
    });
    take(await r.text(), r);
  } catch {
    show("The bench computer does not answer, so this may not have been done. Look at what stands there, then try again.", true);
  }
}

let hide;

// take shows the answer of the bench.
function take(html, response) {
  const fresh = new DOMParser().parseFromString(html, "text/html").getElementById("answer");
  if (!fresh) {
    const why = response.redirected ? "Log in again: load this page anew." : `The bench answers ${response.status}.`;
    return show(`Not done. ${why}`, true);
  }
  const wrong = fresh.classList.contains("wrong");
  put([...fresh.childNodes], wrong, fresh.querySelector("form") ? undoFor : shownFor);
}

export function say(text) {
  show(text, false);
}

function show(text, wrong) {
  const p = document.createElement("p");
  p.textContent = text;
  put([p], wrong, shownFor);
}

// put fills the answer. What was not done stays there until the next one.
function put(nodes, wrong, time) {
  const answer = document.getElementById("answer");
  clearTimeout(hide);
  answer.classList.toggle("wrong", wrong);
  answer.replaceChildren(...nodes);
  if (!wrong) hide = setTimeout(() => answer.replaceChildren(), time);
}

// Who makes marks here is asked once and kept in this browser, as far as it
// keeps anything.

let name = kept("by");

export function kept(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

export function keep(key, value) {
  try {
    localStorage.setItem(key, value);
  } catch {
    // kept until the page is closed
  }
}

const who = document.getElementById("who");

// signature is the name, empty for none, undefined for a person who went back.
function signature() {
  if (name !== null || !who) return Promise.resolve(name ?? "");
  return new Promise((resolve) => {
    who.addEventListener("close", () => resolve(name ?? undefined), { once: true });
    who.showModal();
  });
}

who?.addEventListener("close", () => {
  if (!who.returnValue) return; // went back
  name = who.returnValue === "named" ? who.querySelector("input").value.trim() : "";
  who.returnValue = "";
  keep("by", name);
  sign();
});

function sign() {
  if (who) who.querySelector("input").value = name ?? "";
  const signed = document.getElementById("signed");
  if (signed) signed.textContent = name ? `with “${name}”` : name === "" ? "with no name" : "as soon as you make one";
}
sign();
