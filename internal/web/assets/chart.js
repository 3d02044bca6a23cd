// A chart of readings over time, in a canvas by uPlot: volts and amps with what
// happened beside them. It is zoomed and moved by wheel, fingers, keys and buttons;
// until what is asked for has come, the picture of before stands there, stretched.
//
//   createChart(element, {
//     title,                        of the picture
//     series: [{ label, load }],    load(from, to, points, signal) promises a chart as
//                                   GET /api/v1/stations/{id}/chart gives it
//     whole: { from, to },          in Unix ms, or ms since the start
//     relative: true,               times count from a start: two runs laid on each other
//     offset,                       minutes of the bench's clock from UTC, or since when which
//                                   ([since, minutes], in Unix ms), where it is put forward and back
//     now,                          () => Unix ms at the bench: the chart goes on
//     onView, onCursor, onChart     are told of what is shown
//   })
//
// gives { zoomIn, zoomOut, showWhole, follow, show(view), view, chart(), picture(), destroy }.

import "./language.js";
import uPlot from "uplot";
import { Answers, ask, clamp, clock, contents, quantity, shortest, since, table, tick, ticks, valueAt, zoomed } from "./chartdata.js";

const askAfter = 120; // ms without another move
const lanes = 16; // px of one lane above the lines
const tail = 2000; // ms between two looks at what is new, at least
const retry = 4000;

const names = { amps: "Current", volts: "Voltage", vbus_amps: "USB current", vbus_volts: "USB voltage", celsius: "Temperature" };
const dashes = [[], [8, 4], [2, 3], [10, 3, 2, 3]];

export function nameOf(channel) {
  return names[channel] ?? channel;
}

export function createChart(element, options) {
  const { series, relative = false, offset = 0, now } = options;
  const sides = series.map((s) => ({ ...s, answers: new Answers(), asked: undefined, abort: undefined, chart: undefined }));
  let whole = { ...options.whole };
  let view = { ...(options.view ?? whole) };
  let following = Boolean(now) && !options.view;
  let fitted = Boolean(options.view) || options.fit === false;
  let plot;
  let timer;
  let goneOn;
  let failed = "";
  let drawnAs = "";

  element.classList.add("chart");
  element.tabIndex = 0;
  element.setAttribute("role", "img");
  element.setAttribute("aria-label", `${options.title}: the readings are being fetched`);

  // Asking

  function width() {
    return Math.max(element.clientWidth - 80, 200);
  }

  function want(delay = askAfter) {
    clearTimeout(timer);
    timer = setTimeout(() => sides.forEach(load), delay);
  }

  async function load(side) {
    const asked = ask(view, width(), whole);
    if (side.answers.enough(view, asked)) return;
    const key = `${asked.from} ${asked.to} ${asked.points}`;
    if (side.asked === key) return;
    side.abort?.abort();
    side.asked = key;
    side.abort = new AbortController();
    element.setAttribute("aria-busy", "true");
    try {
      const chart = await side.load(asked.from, asked.to, asked.points, side.abort.signal);
      if (side.asked !== key) return;
      side.answers.add(asked, chart);
      failed = "";
      fit();
      draw();
    } catch (e) {
      if (e.name === "AbortError" || side.asked !== key) return;
      failed = e.message;
      if (e.retry !== false) want(retry);
      options.onChart?.(shown(), failed);
    } finally {
      if (side.asked === key) {
        side.asked = undefined;
        element.setAttribute("aria-busy", "false");
      }
    }
  }

  // fit leaves out the emptiness before the first reading, once.
  function fit() {
    const chart = sides[0].answers.best(view);
    if (fitted || !chart) return;
    fitted = true;
    const has = contents(chart);
    if (!has) return;
    const from = Math.max(whole.from, has.from - (whole.to - has.from) * 0.01);
    whole = { from, to: whole.to };
    view = { ...whole };
    if (relative) return;
    want(0);
  }

  function shown() {
    return sides[0].chart;
  }

  // Moving

  function go(next, by = "hand") {
    fitted = true;
    view = clamp(next, whole);
    if (by === "hand") following = Boolean(now) && view.to >= whole.to - (view.to - view.from) * 0.01;
    draw();
    want();
  }

  function follow() {
    const length = view.to - view.from;
    if (now) whole.to = Math.max(whole.to, now());
    go({ from: whole.to - length, to: whole.to });
    following = Boolean(now);
  }

  // goOn takes what has been read meanwhile.
  function goOn() {
    const length = view.to - view.from;
    if (!document.hidden && now) {
      const before = whole.to;
      whole.to = Math.max(whole.to, now());
      const all = view.from <= whole.from + 1;
      if (following && whole.to > before) {
        for (const s of sides) s.answers.forget(before - 1);
        view = all && fitted ? { from: whole.from, to: whole.to } : { from: whole.to - length, to: whole.to };
        want(0);
        draw();
      }
    }
    const step = shown()?.step_ms ?? 0;
    goneOn = setTimeout(goOn, Math.min(Math.max(step, tail), 30000));
  }

  // Drawing

  const css = () => {
    const s = getComputedStyle(element);
    return (name) => s.getPropertyValue(`--${name}`).trim();
  };

  function draw() {
    const charts = sides.map((s) => (s.chart = s.answers.best(view) ?? s.chart));
    if (!charts.some(Boolean)) return;
    const lines = charts.flatMap((c, side) => (c?.channels ?? []).filter((ch) => !options.channels || options.channels.includes(ch.name)).map((channel) => ({ channel, chart: c, side })));
    const as = lines.map((l) => `${l.side}${l.channel.name}`).join();
    if (!plot || as !== drawnAs) build(lines, as);
    const tables = lines.map((l) => table(l.chart, l.channel));
    plot.batch(() => {
      const from = sides.map((s) => s.chart);
      if (from.some((c, i) => c !== plot.from[i]) || plot.late) {
        plot.setData(tables.length > 0 ? uPlot.join(tables) : [[]], false);
        plot.from = from;
      }
      plot.setScale("x", { min: view.from, max: view.to });
    });
    tell(lines);
  }

  function tell(lines) {
    element.dataset.from = Math.round(view.from);
    element.dataset.to = Math.round(view.to);
    element.dataset.step = shown()?.step_ms ?? "";
    element.setAttribute("aria-label", inWords(lines));
    options.onView?.({ ...view, whole, following });
    options.onChart?.(shown(), failed);
  }

  const moment = (t, length = view.to - view.from) => (relative ? since(t, length) : clock(t, offset, length));

  function inWords(lines) {
    const parts = lines.map(({ channel, chart, side }) => {
      const [t, min, , max] = table(chart, channel);
      let low = Infinity;
      let high = -Infinity;
      t.forEach((x, i) => {
        if (x < view.from || x > view.to || min[i] === null) return;
        low = Math.min(low, min[i]);
        high = Math.max(high, max[i]);
      });
      const of = series.length > 1 ? ` of ${series[side].label}` : "";
      return low <= high ? `${nameOf(channel.name)}${of} ${quantity(low, channel.unit)} to ${quantity(high, channel.unit)}` : `${nameOf(channel.name)}${of}: no readings`;
    });
    return `${options.title}, ${moment(view.from)} to ${moment(view.to)}. ${parts.join(". ") || "No readings"}. The tables below have the same in words.`;
  }

  const height = () => Math.max(element.clientHeight, 240);

  function build(lines, as) {
    plot?.destroy();
    drawnAs = as;
    const c = css();
    const units = [...new Set(lines.map((l) => l.channel.unit))];
    const list = [{}];
    const bands = [];
    lines.forEach(({ channel, side }) => {
      const kin = lines.filter((l) => l.channel.unit === channel.unit);
      const dash = dashes[kin.findIndex((l) => l.channel === channel) % dashes.length];
      const colour = series.length > 1 ? c(`chart-side-${side + 1}`) : c(`chart-${channel.name.replace("_", "-")}`) || c("text");
      const edge = { scale: channel.unit, stroke: "transparent", width: 0, points: { show: false }, spanGaps: false };
      const n = list.length;
      list.push(
        { ...edge, label: "min" },
        { scale: channel.unit, label: channel.name, stroke: colour, width: 1.6, dash, points: { show: (u) => nearEnough(u) }, spanGaps: false },
        { ...edge, label: "max" },
      );
      bands.push({ series: [n + 2, n], fill: withAlpha(colour, 0.28), dir: -1 });
    });
    const axes = [xAxis(c)];
    units.forEach((unit, i) => axes.push(yAxis(unit, i, c)));
    const scales = { x: { time: false, auto: false } };
    for (const unit of units) scales[unit] = { range: (_, low, high) => around(unit, low, high) };
    plot = new uPlot(
      {
        width: element.clientWidth,
        height: height(),
        ms: 1,
        padding: [laneCount() * lanes + 6, units.length > 1 ? null : 12, null, null],
        legend: { show: false },
        cursor: { drag: { x: true, y: false, setScale: false }, points: { size: 6 }, y: false },
        select: { show: true },
        series: list,
        bands,
        axes,
        scales,
        hooks: { drawClear: [back], draw: [front], setCursor: [cursor], setSelect: [selected] },
      },
      [[]],
      element,
    );
    plot.from = [];
    plot.over.addEventListener("wheel", wheel, { passive: false });
    plot.over.addEventListener("dblclick", showWhole);
    fingers(plot.over);
  }

  // around leaves room at zero current, and some above and below.
  function around(unit, low, high) {
    if (low === null || high === null) return [0, 1];
    const least = { A: 0.02, V: 0.2, "°C": 2 }[unit] ?? 1;
    if (unit === "A") return [Math.min(0, low * 1.05), Math.max(high * 1.08, least)];
    const room = Math.max((high - low) * 0.12, least / 2);
    return [unit === "V" ? Math.max(0, low - room) : low - room, high + room];
  }

  const font = "12px system-ui, sans-serif";

  function xAxis(c) {
    const gap = relative ? 0 : offset;
    return {
      stroke: c("soft"), font, grid: { stroke: c("chart-grid"), width: 1 }, ticks: { stroke: c("chart-grid"), width: 1, size: 4 }, size: 26,
      splits: (u, _, from, to) => ticks(from, to, Math.max(2, Math.floor(u.bbox.width / devicePixelRatio / 96)), gap).at,
      values: (u, at) => {
        const step = at.length > 1 ? Math.min(...at.slice(1).map((t, i) => t - at[i])) : 1;
        return at.map((t) => (relative ? since(t, step >= 1000 ? 60000 : 1000) : tick(t, gap, step)));
      },
    };
  }

  function yAxis(unit, i, c) {
    const small = () => (plot?.scales.A?.max ?? 1) < 1;
    return {
      scale: unit, side: i === 0 ? 3 : 1, stroke: c("soft"), font, size: element.clientWidth < 500 ? 46 : 58,
      grid: { show: i === 0, stroke: c("chart-grid"), width: 1 }, ticks: { stroke: c("chart-grid"), width: 1, size: 4 },
      values: (_, at) => at.map((v) => (v === null ? "" : unit === "A" && small() ? `${Math.round(v * 1000)} mA` : `${Number(v.toFixed(3))} ${unit}`)),
    };
  }

  // nearEnough shows each reading as a point when few are left.
  function nearEnough(u) {
    const chart = shown();
    return Boolean(chart) && chart.step_ms === 0 && u.scales.x.max - u.scales.x.min <= 12000;
  }

  const laneCount = () => (relative ? series.length : 4);

  // Behind the lines: times in which nothing was read.
  function back(u) {
    const chart = shown();
    const c = css();
    const { ctx, bbox } = u;
    ctx.save();
    clip(ctx, bbox);
    for (const g of chart?.gaps ?? []) {
      const x = u.valToPos(g.from, "x", true);
      const w = Math.max(u.valToPos(g.to, "x", true) - x, devicePixelRatio);
      ctx.fillStyle = c("chart-gap");
      ctx.fillRect(x, bbox.top, w, bbox.height);
      hatch(ctx, x, bbox.top, w, bbox.height, c("chart-grid"));
      words(ctx, "no readings", x, bbox.top + bbox.height - 8 * devicePixelRatio, w, c("soft"));
    }
    ctx.restore();
  }

  // Above and before the lines: lanes of modes, runs and watches, and what happened.
  function front(u) {
    const c = css();
    const { ctx, bbox } = u;
    const px = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, 0, bbox.width, u.ctx.canvas.height);
    ctx.clip();
    ctx.font = `${11 * px}px system-ui, sans-serif`;
    ctx.textAlign = "left";
    const lane = (n) => (n * lanes + 2) * px;
    if (relative) {
      sides.forEach((s, i) => (s.chart?.modes ?? []).forEach((m) => block(u, m.from, m.to, lane(i), c(modeColour(m.mode)), c("text"), `${i + 1}: ${m.label}`)));
    } else {
      const chart = shown();
      for (const m of chart?.modes ?? []) block(u, m.from, m.to, lane(0), c(modeColour(m.mode)), c("text"), m.label);
      for (const r of chart?.runs ?? []) run(u, r, lane(1), c);
      for (const w of chart?.watches ?? []) block(u, w.from, w.to, lane(2), c("chart-watch"), c("text"), `${w.goal}: ${w.outcome}`);
      marks(u, chart, lane(3), c);
    }
    ctx.restore();
  }

  function block(u, from, to, y, fill, ink, text) {
    const { ctx } = u;
    const px = devicePixelRatio;
    const left = u.bbox.left;
    const x = Math.max(u.valToPos(from, "x", true), left - 4);
    const w = Math.min(u.valToPos(to, "x", true), left + u.bbox.width + 4) - x;
    if (w <= 0) return;
    ctx.fillStyle = fill;
    ctx.fillRect(x, y, Math.max(w - px, px), (lanes - 3) * px);
    words(ctx, text, x, y + (lanes - 6) * px, w, ink);
  }

  function run(u, r, y, c) {
    const { ctx } = u;
    const px = devicePixelRatio;
    const dropped = r.outcome === "dropped";
    block(u, r.from, r.to, y, c("chart-run"), c("text"), r.outcome === "running" ? "run, goes on" : `run ${lastsShort(r.to - r.from)}, ${r.outcome}`);
    if (r.window_met) line(ctx, u.valToPos(r.window_met, "x", true), y, (lanes - 3) * px, c("normal"), [], 2 * px);
    if (dropped) line(ctx, u.valToPos(r.to, "x", true), y, u.bbox.top + u.bbox.height - y, c("danger"), [4 * px, 3 * px], 1.5 * px);
  }

  function marks(u, chart, y, c) {
    const { ctx } = u;
    const px = devicePixelRatio;
    const size = (lanes - 5) * px;
    for (const e of chart?.usb ?? []) {
      const x = u.valToPos(e.at, "x", true);
      ctx.fillStyle = c("chart-usb");
      ctx.fillRect(x - 1.5 * px, y + size / 2, 3 * px, size / 2 + 2 * px);
    }
    for (const e of chart?.events ?? []) {
      const x = u.valToPos(e.at, "x", true);
      ctx.fillStyle = c(e.type.startsWith("mark") ? "action" : /drop|miss|fail|stall|lost|hung|high|collaps/.test(e.type) ? "danger" : "line");
      ctx.beginPath();
      if (e.type.startsWith("mark")) ctx.rect(x - 4 * px, y, 8 * px, 8 * px);
      else {
        ctx.moveTo(x - 5 * px, y);
        ctx.lineTo(x + 5 * px, y);
        ctx.lineTo(x, y + 9 * px);
      }
      ctx.fill();
    }
  }

  // Cursor and selection

  function cursor(u) {
    const x = u.cursor.left;
    if (x === null || x === undefined || x < 0) return options.onCursor?.(undefined);
    const at = u.posToVal(x, "x");
    const length = view.to - view.from;
    const reach = (6 / u.over.clientWidth) * length;
    const values = sides.flatMap((s, side) =>
      (s.chart?.channels ?? []).map((channel) => ({ channel, side, value: valueAt(s.chart, channel, at) })).filter((v) => v.value),
    );
    const chart = shown();
    const within = (all) => (all ?? []).find((m) => m.from <= at && at < m.to);
    const near = (all) => (all ?? []).filter((e) => Math.abs(e.at - at) <= reach);
    options.onCursor?.({
      at, moment: moment(at), values, mode: within(chart?.modes), run: within(chart?.runs), gap: within(chart?.gaps),
      events: relative ? [] : [...near(chart?.events), ...near(chart?.usb)],
      step: chart?.step_ms ?? 0,
    });
  }

  function selected(u) {
    const { left, width: w } = u.select;
    if (w < 8) return;
    u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    go({ from: u.posToVal(left, "x"), to: u.posToVal(left + w, "x") });
  }

  function wheel(e) {
    e.preventDefault();
    const unit = e.deltaMode === 1 ? 16 : 1;
    const box = plot.over.getBoundingClientRect();
    const length = view.to - view.from;
    if (Math.abs(e.deltaX) > Math.abs(e.deltaY) || e.shiftKey) return move(((e.deltaX || e.deltaY) * unit) / box.width);
    const at = view.from + ((e.clientX - box.left) / box.width) * length;
    go(zoomed(view, 2 ** ((-e.deltaY * unit) / 240), at));
  }

  // Two fingers zoom and move; one scrolls the page.
  function fingers(over) {
    const down = new Map();
    over.style.touchAction = "pan-y";
    const at = (x) => {
      const box = over.getBoundingClientRect();
      return view.from + ((x - box.left) / box.width) * (view.to - view.from);
    };
    const ends = () => [...down.values()].sort((a, b) => a - b);
    over.addEventListener("pointerdown", (e) => e.pointerType === "touch" && down.set(e.pointerId, e.clientX));
    over.addEventListener("pointermove", (e) => {
      if (!down.has(e.pointerId)) return;
      const [a, b] = ends();
      const before = [at(a), at(b ?? a)];
      down.set(e.pointerId, e.clientX);
      const box = over.getBoundingClientRect();
      const [x, y] = ends();
      if (down.size === 1) {
        const by = ((x - a) / box.width) * (view.to - view.from);
        go({ from: view.from - by, to: view.to - by });
      } else if (down.size === 2 && y - x > 10) {
        const scale = (before[1] - before[0]) / (y - x); // ms a pixel
        const from = before[0] - (x - box.left) * scale;
        go({ from, to: from + box.width * scale });
      }
    });
    for (const up of ["pointerup", "pointercancel", "pointerleave"]) over.addEventListener(up, (e) => down.delete(e.pointerId));
  }

  function move(share) {
    const by = (view.to - view.from) * share;
    go({ from: view.from + by, to: view.to + by });
  }

  const zoomIn = () => go(zoomed(view, 2, following ? view.to : undefined));
  const zoomOut = () => go(zoomed(view, 0.5));

  function showWhole() {
    if (now) whole.to = Math.max(whole.to, now());
    go(whole);
  }

  const keys = {
    ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), "+": zoomIn, "=": zoomIn, "-": zoomOut, _: zoomOut,
    Home: showWhole, End: follow, PageUp: () => move(-1), PageDown: () => move(1),
  };

  element.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || !keys[e.key]) return;
    e.preventDefault();
    e.stopPropagation();
    keys[e.key]();
  });

  // picture is the chart with its title and range below it, as a canvas.
  function picture(line) {
    const from = plot.ctx.canvas;
    const px = devicePixelRatio;
    const out = document.createElement("canvas");
    const head = 44 * px;
    out.width = from.width;
    out.height = from.height + head;
    const ctx = out.getContext("2d");
    const c = css();
    ctx.fillStyle = c("tile");
    ctx.fillRect(0, 0, out.width, out.height);
    ctx.fillStyle = c("text");
    ctx.font = `600 ${15 * px}px system-ui, sans-serif`;
    ctx.fillText(options.title, 10 * px, 18 * px, out.width - 20 * px);
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    ctx.fillText(line, 10 * px, 36 * px, out.width - 20 * px);
    ctx.drawImage(from, 0, head);
    return out;
  }

  // Colours and sizes follow the page.
  const again = () => {
    if (!plot) return;
    plot.setSize({ width: element.clientWidth, height: height() });
    want();
  };
  const resized = new ResizeObserver(again);
  resized.observe(element);
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const recolour = () => {
    drawnAs = "";
    draw();
  };
  dark.addEventListener("change", recolour);

  want(0);
  if (now) goneOn = setTimeout(goOn, tail);

  return {
    zoomIn, zoomOut, showWhole, follow, picture,
    earlier: () => move(-0.5), later: () => move(0.5),
    show: (next) => {
      whole = { from: Math.min(whole.from, next.from), to: Math.max(whole.to, next.to) };
      go(next);
    },
    view: () => ({ ...view, following }),
    chart: shown,
    destroy() {
      clearTimeout(timer);
      clearTimeout(goneOn);
      sides.forEach((s) => s.abort?.abort());
      resized.disconnect();
      dark.removeEventListener("change", recolour);
      plot?.destroy();
    },
  };
}

function lastsShort(ms) {
  return since(ms, 60000);
}

function modeColour(mode) {
  const known = ["off", "standby", "starting", "loader", "recovery", "restoring", "re-pairing", "running", "asleep"];
  return `chart-mode-${known.includes(mode) ? mode : "unknown"}`;
}

function withAlpha(colour, alpha) {
  const m = /^#([0-9a-f]{6})$/i.exec(colour);
  if (!m) return colour;
  const n = parseInt(m[1], 16);
  return `rgb(${n >> 16} ${(n >> 8) & 255} ${n & 255} / ${alpha})`;
}

function clip(ctx, { left, top, width, height }) {
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
}

function line(ctx, x, y, h, colour, dash, width) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.setLineDash(dash);
  ctx.beginPath();
  ctx.moveTo(x, y);
  ctx.lineTo(x, y + h);
  ctx.stroke();
  ctx.setLineDash([]);
}

function hatch(ctx, x, y, w, h, colour) {
  ctx.save();
  ctx.beginPath();
  ctx.rect(x, y, w, h);
  ctx.clip();
  ctx.strokeStyle = colour;
  ctx.lineWidth = devicePixelRatio;
  const from = Math.max(x - h, -h);
  const step = 10 * devicePixelRatio;
  ctx.beginPath();
  for (let i = Math.floor(from / step) * step; i < Math.min(x + w, ctx.canvas.width); i += step) {
    ctx.moveTo(i, y + h);
    ctx.lineTo(i + h, y);
  }
  ctx.stroke();
  ctx.restore();
}

// words are written where they have room.
function words(ctx, text, x, y, w, ink) {
  const px = devicePixelRatio;
  ctx.font = `${11 * px}px system-ui, sans-serif`;
  const left = Math.max(x, 0) + 4 * px;
  if (ctx.measureText(text).width > x + w - left - 3 * px) return;
  ctx.fillStyle = ink;
  ctx.fillText(text, left, y);
}

// fetchChart asks the bench for a chart of a station.
export function fetchChart(station) {
  return async (from, to, points, signal) => {
    const q = new URLSearchParams({ from: Math.floor(from), to: Math.ceil(to), points });
    return answer(await fetch(`/api/v1/stations/${encodeURIComponent(station)}/chart?${q}`, { signal }));
  };
}

// answer is the JSON of an answer, or throws what is wrong in its words.
export async function answer(r) {
  if (r.ok) return r.json();
  let why = `The bench answers ${r.status}.`;
  try {
    const p = await r.json();
    why = p.detail || p.title || why;
  } catch {
    // its status says enough
  }
  const e = new Error(why);
  e.retry = r.status >= 500 || r.status === 429;
  throw e;
}

export { shortest };
