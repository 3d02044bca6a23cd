// Marks from a person: takes over the forms of the page, asks what a mark
// still needs in a dialog, and shows the answer of the bench.

const sureWithin = 3000; // ms for the second tap on stop
const bounce = 250; // ms; a tap this soon after the first is the same tap
const answerWithin = 5000; // ms for the bench to answer
const shownFor = 5000; // ms; a trouble stays until the next answer

const answer = document.getElementById("answer");

document.addEventListener("submit", (e) => {
  const form = e.target;
  if (form.matches("form.acts") && e.submitter) {
    e.preventDefault();
    act(form.dataset, e.submitter);
  }
  if (!form.matches("form.marks")) return;
  e.preventDefault();
  const button = e.submitter;
  if (!button || (button.value === "stop" && !sure(button, form.dataset.name))) return;
  const mark = read(button, form);
  form.closest("dialog")?.close();
  make(form.dataset, mark, button.dataset.said ?? button.querySelector("span").textContent);
});

document.addEventListener("click", (e) => {
  const opener = e.target.closest("[data-open]");
  const dialog = opener && document.getElementById(opener.dataset.open);
  if (dialog) {
    e.preventDefault();
    openFor(dialog, opener.closest("form.marks")?.dataset);
  }
  e.target.closest("[data-close]")?.closest("dialog").close();
});

// openFor opens a dialog about a station.
function openFor(dialog, about) {
  if (about) {
    for (const form of dialog.querySelectorAll("form")) {
      form.reset();
      Object.assign(form.dataset, { station: about.station, name: about.name });
    }
    dialog.querySelector(".about").textContent = about.name;
    showGoal(dialog, about);
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

// read makes a mark of the button pressed and the form it stands in.
function read(button, form) {
  const [kind, ...rest] = button.value.split(" ");
  const text = rest.join(" ") || form.elements.text?.value.trim();
  return text ? { kind, text } : { kind };
}

async function make({ station, name }, mark, label) {
  const by = await signature();
  if (by === undefined) return say(`Nothing was marked on ${name}`);
  if (by) mark.by = by;
  try {
    const r = await fetch(`/api/v1/stations/${encodeURIComponent(station)}/marks`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(mark),
      signal: AbortSignal.timeout(answerWithin),
    });
    if (r.ok) say(`Marked ${name}: ${label}`);
    else trouble(`Not marked, ${name}: ${await reason(r)}`);
  } catch {
    trouble(`The bench computer does not answer: the mark on ${name} may not have been made`);
  }
}

// act does something about an alert: the deed, and for how many minutes.
async function act({ alert, name }, button) {
  const [deed, minutes] = button.value.split(" ");
  const label = button.querySelector("span").textContent;
  const by = await signature();
  if (by === undefined) return say(`Nothing was done about: ${name}`);
  const body = { do: deed };
  if (by) body.by = by;
  if (minutes) body.for_s = Number(minutes) * 60;
  try {
    const r = await fetch(`/api/v1/alerts/${encodeURIComponent(alert)}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(answerWithin),
    });
    if (r.ok) say(`${label}: ${name}`);
    else trouble(`Not done, ${name}: ${await reason(r)}`);
  } catch {
    trouble(`The bench computer does not answer, so this may not have been done: ${name}`);
  }
}

// reason is what the bench says in a refusal (RFC 9457).
async function reason(response) {
  const text = await response.text();
  try {
    return JSON.parse(text).detail;
  } catch {
    return text.trim() || response.statusText;
  }
}

let hide;

export function say(text) {
  show(text, false);
  hide = setTimeout(() => (answer.textContent = ""), shownFor);
}

function trouble(text) {
  show(text, true);
}

function show(text, wrong) {
  clearTimeout(hide);
  answer.classList.toggle("wrong", wrong);
  answer.textContent = text;
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
