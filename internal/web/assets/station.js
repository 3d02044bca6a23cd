// The chart of one station's page, with what is read under the cursor, its tables
// and what can be taken away of it.

import { createChart, fetchChart, nameOf } from "./chart.js";
import { clock, dayOf, lasts, quantity, shared, table } from "./chartdata.js";

const element = document.getElementById("chart");
const byId = (id) => document.getElementById(id);
const mostRows = 60;

const moment = () => Number(byId("moment").getAttribute("value"));

if (element) start();

function start() {
  const { name, bench, offset: minutes, wholeFrom, wholeTo } = element.dataset;
  const id = element.dataset.station;
  const offset = JSON.parse(minutes);
  let view;
  let chart;
  let key = "";

  // The bench's clock, between the seconds that the page is told.
  let told = moment();
  let when = performance.now();
  let pace = 1; // of a demonstration; 1 on a bench
  new MutationObserver(() => {
    const is = moment();
    if (is <= told) return;
    const t = performance.now();
    if (t > when) pace = Math.min(Math.max((is - told) / (t - when), 0.5), 1000);
    told = is;
    when = t;
  }).observe(document.querySelector(".desk"), { subtree: true, childList: true, attributes: true, attributeFilter: ["value"] });
  const now = () => told + (pace > 1.5 ? 0 : Math.min(performance.now() - when, 1000));

  for (const hidden of document.querySelectorAll(".chart-tools, .readout, .key, .chart-exports, .chart-table")) hidden.hidden = false;

  const c = createChart(element, {
    title: `${name}, ${bench}`,
    series: [{ label: name, load: fetchChart(id) }],
    whole: { from: Number(wholeFrom), to: Number(wholeTo) },
    view: shared(location.hash),
    offset,
    now,
    onView: seen,
    onChart: drawn,
    onCursor: read,
  });

  for (const button of document.querySelectorAll("[data-chart]")) {
    button.addEventListener("click", () => c[button.dataset.chart]());
  }

  // What is shown

  let note;

  function seen(v) {
    view = v;
    const length = v.to - v.from;
    byId("range").textContent = range();
    document.querySelector('[data-chart="follow"]').setAttribute("aria-pressed", String(v.following));
    const q = new URLSearchParams({ from: Math.floor(v.from), to: Math.ceil(v.to) });
    const path = `/api/v1/stations/${encodeURIComponent(id)}`;
    byId("csv").href = `${path}/trace.csv?${q}`;
    byId("recording").href = `${path}/recording?${q}`;
    clearTimeout(note);
    note = setTimeout(() => {
      const all = v.from <= v.whole.from + 1 && v.to >= v.whole.to - 1;
      const hash = all || v.following ? "" : `#t=${Math.floor(v.from)},${Math.ceil(v.to)}`;
      if (hash !== location.hash) history.replaceState(null, "", hash || location.pathname + location.search);
      if (length > 0) tables();
    }, 300);
  }

  function range() {
    const length = view.to - view.from;
    const day = dayOf(view.from, offset);
    const step = chart?.step_ms;
    const fine = step === undefined ? "" : step === 0 ? ", every reading" : `, least, mean and greatest of ${lasts(step)}`;
    return `${day} ${clock(view.from, offset, Math.min(length, 43200000))} to ${clock(view.to, offset, Math.min(length, 43200000))} (${lasts(length)}${fine})`;
  }

  function drawn(fresh, failed) {
    const trouble = byId("chart-trouble");
    trouble.hidden = !failed;
    trouble.textContent = failed;
    if (fresh === chart) return;
    chart = fresh;
    if (!chart) return;
    if (view) byId("range").textContent = range();
    legend();
  }

  function legend() {
    const all = chart.channels.map((ch) => ch.name).join();
    if (all === key) return;
    key = all;
    const dash = (i) => ["", "8 4", "2 3", "10 3 2 3"][i];
    const list = document.querySelector(".key");
    const items = chart.channels.map((ch) => {
      const kin = chart.channels.filter((o) => o.unit === ch.unit);
      return `<li><svg class="swatch" aria-hidden="true"><path class="line-${ch.name}" stroke-dasharray="${dash(kin.indexOf(ch)) || "none"}" d="M0 6H30"></path></svg>${nameOf(ch.name)} (${ch.unit})</li>`;
    });
    list.innerHTML = `${items.join("")}<li>Lanes above: mode, run, watch, events</li><li><b>▾</b> event</li><li><b>■</b> mark by a person</li><li><b>▮</b> USB change</li>`;
  }

  // Under the cursor

  function read(at) {
    const out = byId("readout");
    if (!at) return out.replaceChildren();
    const parts = [el("b", at.values[0] && at.step === 0 ? clock(at.values[0].value.at, offset, view.to - view.from) : at.moment)];
    for (const { channel, value } of at.values) {
      const mean = quantity(value.mean, channel.unit);
      const wide = value.min !== undefined && value.min !== value.max ? ` (${quantity(value.min, channel.unit)} to ${quantity(value.max, channel.unit)})` : "";
      parts.push(el("span", `${nameOf(channel.name)} ${mean}${wide}`));
    }
    if (at.gap) parts.push(el("span", `No readings: ${at.gap.why}`));
    else if (at.values.length === 0) parts.push(el("span", "No reading here"));
    if (at.mode) parts.push(el("span", at.mode.label || at.mode.mode));
    for (const e of at.events.slice(0, 3)) parts.push(el("span", `${clock(e.at, offset, 60000)} ${e.text}`));
    if (at.events.length > 3) parts.push(el("span", `and ${at.events.length - 3} more`));
    out.replaceChildren(...parts);
  }

  // As tables

  const details = document.querySelector(".chart-table");
  details.addEventListener("toggle", tables);

  function tables() {
    if (!details.open || !chart || !view) return;
    const within = (e) => e.at >= view.from && e.at < view.to;
    const all = [...chart.events, ...chart.usb.map((u) => ({ ...u, why: [] }))].filter(within).sort((a, b) => b.at - a.at);
    const left = Math.max(all.length - 200, 0) + (chart.left_out ?? 0);
    const rows = all.slice(0, 200).map((e) => [clock(e.at, offset, 60000), evidence(e)]);
    const spans = [
      ...chart.modes.map((m) => [m, m.label || m.mode]),
      ...chart.gaps.map((g) => [g, `no readings: ${g.why}`]),
      ...chart.watches.map((w) => [w, `watch ${w.goal}: ${w.outcome}`]),
    ].filter(([s]) => s.to > view.from && s.from < view.to);
    const gone = spans.slice(-100).map(([s, text]) => [clock(s.from, offset, 60000), clock(s.to, offset, 60000), text]);
    byId("tables").replaceChildren(
      sheet("What happened in this time", ["Time", "What"], rows, left > 0 ? `${left} more: look closer to see them.` : ""),
      sheet("Modes, watches and gaps", ["From", "To", "What"], gone),
      sheet("Readings", ["Time", ...chart.channels.map((ch) => nameOf(ch.name))], readings()),
    );
  }

  function evidence(e) {
    const text = e.by ? `${e.text} (${e.by})` : e.text;
    if (!e.why?.length) return document.createTextNode(text);
    const d = el("details");
    d.append(el("summary", text), el("p", e.why.join("; ")));
    return d;
  }

  // readings are some rows over the time shown, each with the least and greatest
  // of what lies between it and the next.
  function readings() {
    const each = (view.to - view.from) / mostRows;
    const all = chart.channels.map((ch) => ({ unit: ch.unit, data: table(chart, ch) }));
    const rows = [];
    for (let i = 0; i < mostRows; i++) {
      const from = view.from + i * each;
      const cells = all.map(({ unit, data: [t, min, , max] }) => {
        let low = Infinity;
        let high = -Infinity;
        t.forEach((x, k) => {
          if (x < from || x >= from + each || min[k] === null) return;
          low = Math.min(low, min[k]);
          high = Math.max(high, max[k]);
        });
        if (low > high) return "–";
        return low === high ? quantity(low, unit) : `${quantity(low, unit)} to ${quantity(high, unit)}`;
      });
      if (cells.some((x) => x !== "–")) rows.push([clock(from, offset, each * 10), ...cells]);
    }
    return rows;
  }

  // Taking away

  byId("png").addEventListener("click", () => {
    const units = chart?.channels.map((ch) => `${nameOf(ch.name)} (${ch.unit})`).join(", ");
    c.picture(`${range()}. ${units ?? ""}`).toBlob((blob) => {
      const a = document.createElement("a");
      a.href = URL.createObjectURL(blob);
      a.download = `${id}-${dayOf(view.from, offset)}T${clock(view.from, offset, 60000).replaceAll(":", "")}.png`;
      a.click();
      setTimeout(() => URL.revokeObjectURL(a.href), 10000);
    });
  });

  // A link to a run, or to what somebody shared

  addEventListener("hashchange", () => {
    const to = shared(location.hash);
    if (!to) return;
    c.show(to);
    element.scrollIntoView({ block: "nearest" });
    element.focus({ preventScroll: true });
  });
}

// What the ledger says of the hook-up is asked for again when a run begins or ends.

const past = byId("station")?.dataset.past;
let asked = past;
setInterval(async () => {
  const is = byId("station")?.dataset.past;
  const old = byId("past");
  if (!old || is === asked || old.contains(document.activeElement)) return;
  asked = is;
  try {
    const r = await fetch(`/station/${encodeURIComponent(element.dataset.station)}/past`);
    if (!r.ok) return;
    const fresh = new DOMParser().parseFromString(await r.text(), "text/html").getElementById("past");
    if (fresh) old.replaceWith(fresh);
  } catch {
    asked = ""; // again in a while
  }
}, 3000);

function el(kind, text = "") {
  const e = document.createElement(kind);
  e.textContent = text;
  return e;
}

function sheet(title, heads, rows, more = "") {
  const box = el("div");
  box.className = "scroll";
  box.tabIndex = 0;
  box.setAttribute("role", "region");
  box.setAttribute("aria-label", title);
  const out = el("table");
  out.append(el("caption", rows.length > 0 ? title : `${title}: nothing`));
  const head = el("tr");
  for (const h of heads) {
    const th = el("th", h);
    th.scope = "col";
    head.append(th);
  }
  if (rows.length > 0) out.createTHead().append(head);
  const body = out.createTBody();
  for (const row of rows) {
    const tr = body.insertRow();
    for (const cell of row) tr.insertCell().append(cell);
  }
  box.append(out);
  if (more) box.append(el("p", more));
  return box;
}
