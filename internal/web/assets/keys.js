// Keys: arrows and numbers select a station, single letters press its buttons.

import { keep, kept, say } from "./marks.js";

const numberWithin = 800; // ms between two digits of a number

const on = document.getElementById("keys-on");
if (on) on.checked = kept("keys") !== "off";
on?.addEventListener("change", () => keep("keys", on.checked ? "on" : "off"));

for (const button of document.querySelectorAll("[data-open=help]")) button.hidden = false;

const tiles = () => [...document.querySelectorAll("#grid > .tile")];
const selected = () => document.activeElement?.closest(".tile") ?? document.getElementById("station");

document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.isComposing) return;
  if (e.target.matches("input:not([type=checkbox]), textarea, select")) return;
  const dialog = document.querySelector("dialog[open]");
  if (dialog ? choose(dialog, e) : act(e)) e.preventDefault();
});

// choose presses the button of an open dialog.
function choose(dialog, e) {
  const button = dialog.querySelector(`[data-key="${CSS.escape(e.key.toLowerCase())}"]`);
  if (!button || e.repeat) return false;
  button.click();
  return true;
}

function act(e) {
  const step = steps[e.key];
  if (step) return select(step(tiles(), tiles().indexOf(selected())));
  if (e.key === "Enter" && e.target.matches(".tile")) {
    location.hash = e.target.id;
    return true;
  }
  if (e.key === "Escape") {
    document.activeElement.blur();
    return true;
  }
  if (!on?.checked || e.repeat || e.key.length !== 1) return false;
  if (e.key === "?") document.getElementById("help").showModal();
  else if (e.key >= "0" && e.key <= "9") number(e.key);
  else return press(e.key.toLowerCase());
  return true;
}

// Each step goes from one tile to another; from none to the first.
const steps = {
  ArrowRight: (all, i) => all[i + 1] ?? all[i],
  ArrowLeft: (all, i) => all[i - 1] ?? all[Math.max(i, 0)],
  ArrowDown: (all, i) => (i < 0 ? all[0] : below(all, all[i]) ?? all[i]),
  ArrowUp: (all, i) => (i < 0 ? all[0] : below(all.toReversed(), all[i]) ?? all[i]),
  Home: (all) => all[0],
  End: (all) => all[all.length - 1],
};

// below is the next tile in the same column, in the order given.
function below(all, from) {
  return all.slice(all.indexOf(from) + 1).find((t) => Math.abs(t.offsetLeft - from.offsetLeft) < 2);
}

function select(tile) {
  if (!tile) return false;
  tile.focus();
  tile.scrollIntoView({ block: "nearest" });
  return true;
}

let digits = "";
let typed = 0;

function number(digit) {
  const t = performance.now();
  digits = t - typed < numberWithin ? digits + digit : digit;
  typed = t;
  const all = tiles();
  const tile = all[Number(digits) - 1] ?? all[Number((digits = digit)) - 1];
  if (!select(tile)) say(`There is no station ${digits}`);
}

// press presses the button of the selected tile that goes by this key.
function press(key) {
  if (!"suhcgrwnma".includes(key)) return false;
  const tile = selected();
  const button = tile?.querySelector(`[data-key="${key}"]`);
  if (!tile) say("Select a station first: arrow keys or its number");
  else if (!button || button.disabled) say(`${tile.ariaLabel}. Not now: ${notNow[key]}`);
  else button.click();
  return true;
}

const notNow = {
  a: "no alert stands there that nobody sees to",
  s: "no run goes on that could be stopped",
  u: "no run was stopped that could go on",
  m: "there was no drop in the last 10 minutes",
  r: "a run goes on: nothing is reseated under power",
};
