// Two runs laid on each other at their starts: each is asked for as the chart of
// its station, and its times are counted from its start.

import { createChart, fetchChart, nameOf } from "./chart.js";
import { quantity, since } from "./chartdata.js";

const element = document.getElementById("chart");
const byId = (id) => document.getElementById(id);
const after = 2000; // ms; that the current is gone is shown, what follows is another run

const sides = [...element.querySelectorAll(".side")].map(({ dataset: d }, i) => ({
  label: `${i + 1}: ${d.label}`,
  began: Number(d.began),
  ends: Number(d.lasts) + after,
  ask: fetchChart(d.station),
}));

for (const hidden of document.querySelectorAll(".chart-tools, .readout")) hidden.hidden = false;

const c = createChart(element, {
  title: "Two runs",
  relative: true,
  channels: ["amps"],
  series: sides.map((s) => ({
    label: s.label,
    load: async (from, to, points, signal) => fromStart(await s.ask(s.began + from, s.began + to, points, signal), s),
  })),
  whole: { from: 0, to: Number(element.dataset.long) },
  fit: false,
  onView: ({ from, to }) => {
    byId("range").textContent = `${since(from, to - from)} to ${since(to, to - from)} after the start`;
  },
  onChart: (_, failed) => {
    byId("chart-trouble").hidden = !failed;
    byId("chart-trouble").textContent = failed;
  },
  onCursor: read,
});

for (const button of document.querySelectorAll("[data-chart]")) {
  button.addEventListener("click", () => c[button.dataset.chart]());
}

// fromStart is a chart with its times from the start of a run, up to its end.
function fromStart(chart, { began, ends }) {
  const from = chart.from - began;
  const shift = (span) => ({ ...span, from: span.from - began, to: Math.min(span.to - began, ends) });
  return {
    ...chart,
    from,
    to: chart.to - began,
    channels: chart.channels.map((ch) => upTo(ch, ends - from)),
    gaps: chart.gaps.map(shift),
    modes: chart.modes.map(shift).filter((m) => m.to > Math.max(m.from, 0) && m.from < ends - after),
    runs: [],
    watches: [],
    events: [],
    usb: [],
  };
}

function upTo(channel, end) {
  const n = channel.t.findIndex((t) => t > end);
  if (n < 0) return channel;
  const cut = { ...channel };
  for (const part of ["t", "v", "min", "mean", "max"]) if (channel[part]) cut[part] = channel[part].slice(0, n);
  return cut;
}

function read(at) {
  const out = byId("readout");
  if (!at) return out.replaceChildren();
  const parts = [word("b", at.moment)];
  at.values.forEach(({ channel, value, side }) => {
    const run = side === undefined ? "" : `${side + 1}: `;
    parts.push(word("span", `${run}${nameOf(channel.name)} ${quantity(value.mean, channel.unit)}`));
  });
  if (at.values.length === 0) parts.push(word("span", "No reading here"));
  out.replaceChildren(...parts);
}

function word(kind, text) {
  const e = document.createElement(kind);
  e.textContent = text;
  return e;
}
