// What a chart needs to know of numbers: which part of the past to ask for, which
// of the answers to draw, and how times and values are written. Nothing here
// touches the page.

export const shortest = 1000; // ms; the nearest that a chart is looked at
const fewest = 100; // columns that may be asked for
const most = 4000;
const kept = 24; // answers

// clamp keeps a view within what there is, as long as it is if that fits.
export function clamp({ from, to }, whole) {
  const length = Math.min(Math.max(to - from, shortest), Math.max(whole.to - whole.from, shortest));
  const middle = (from + to) / 2;
  const start = Math.min(Math.max(middle - length / 2, whole.from), Math.max(whole.to - length, whole.from));
  return { from: start, to: start + length };
}

// zoomed is a view by a factor nearer, around a moment that stays where it is.
export function zoomed({ from, to }, factor, around = (from + to) / 2) {
  return { from: around - (around - from) / factor, to: around + (to - around) / factor };
}

// ask is the part to ask for so that a view, drawn so wide, can be moved a little
// without asking again: half of its length more on each side, on a grid.
export function ask({ from, to }, width, whole) {
  const length = to - from;
  const grid = 2 ** Math.floor(Math.log2(length / 4));
  const start = Math.max(Math.floor((from - length / 2) / grid) * grid, Math.floor(whole.from));
  const end = Math.max(Math.min(Math.ceil((to + length / 2) / grid) * grid, Math.ceil(whole.to)), start + shortest);
  const points = Math.round((width * (end - start)) / length / 100) * 100;
  return { from: start, to: end, points: Math.min(Math.max(points, fewest), most) };
}

// Answers keeps the last answers, each for the part and the number of columns that
// was asked for.
export class Answers {
  all = [];

  add(asked, chart) {
    const same = (a) => a.asked.from === asked.from && a.asked.to === asked.to && a.asked.points === asked.points;
    this.all = [{ asked, chart }, ...this.all.filter((a) => !same(a))].slice(0, kept);
  }

  // enough is the answer that shows all of a view as fine as asked, if there is one.
  enough(view, { from, to, points }) {
    const step = (to - from) / points;
    const fine = ({ asked, chart }) => chart.step_ms === 0 || (asked.to - asked.from) / asked.points <= step * 1.3;
    return this.all.find((a) => covers(a.asked, view) && fine(a))?.chart;
  }

  // best is what can be drawn of a view meanwhile: the finest answer that has all
  // of it, else the one that has most of it.
  best(view) {
    const all = this.all.filter((a) => covers(a.asked, view));
    if (all.length > 0) return all.reduce((a, b) => (fineness(b) < fineness(a) ? b : a)).chart;
    const by = (a) => Math.min(a.asked.to, view.to) - Math.max(a.asked.from, view.from);
    return this.all.reduce((a, b) => (a && by(a) >= by(b) ? a : b), undefined)?.chart;
  }

  // forget drops what reaches beyond a moment: there is more by now.
  forget(since) {
    this.all = this.all.filter((a) => a.chart.to <= since);
  }
}

const covers = (a, view) => a.from <= view.from + 1 && a.to >= view.to - 1;
const fineness = (a) => a.chart.step_ms || 0;

// contents is from when to when a chart has anything, within what was asked.
export function contents(chart) {
  let from = Infinity;
  let to = -Infinity;
  const take = (a, b) => ((from = Math.min(from, a)), (to = Math.max(to, b)));
  for (const c of chart.channels) {
    if (c.t.length > 0) take(chart.from + c.t[0], chart.from + c.t[c.t.length - 1]);
  }
  for (const s of [...(chart.runs ?? []), ...(chart.watches ?? [])]) take(s.from, s.to);
  for (const m of chart.modes ?? []) if (m.mode !== "unknown") take(m.from, m.to);
  return from < to ? { from, to } : undefined;
}

// table are the columns of one channel in a view: times, and least, mean, greatest.
export function table(chart, channel) {
  const values = (v) => v?.map((x) => (x === null ? null : x * channel.scale));
  const mean = values(channel.v ?? channel.mean);
  return [channel.t.map((t) => t + chart.from), values(channel.min) ?? mean, mean, values(channel.max) ?? mean];
}

// valueAt is what a channel had at a moment: of the nearest column, if there is one
// so near that it stands for it.
export function valueAt(chart, channel, at) {
  const t = channel.t;
  const x = at - chart.from;
  let low = 0;
  let high = t.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (t[middle] <= x) low = middle + 1;
    else high = middle;
  }
  const near = chart.step_ms || 2000;
  let i = low - 1;
  if (chart.step_ms === 0 && low < t.length && (i < 0 || t[low] - x < x - t[i])) i = low;
  if (i < 0 || Math.abs(x - t[i]) > near) return undefined;
  const pick = (all) => (all?.[i] === null || all?.[i] === undefined ? undefined : all[i] * channel.scale);
  const mean = pick(channel.v ?? channel.mean);
  return mean === undefined ? undefined : { at: chart.from + t[i], min: pick(channel.min), mean, max: pick(channel.max) };
}

// quantity writes a value as the pages do: whole mA below 1 A.
export function quantity(value, unit) {
  if (unit === "A" && Math.abs(value) < 0.9995) return `${(value * 1000).toFixed(Math.abs(value) < 0.01 ? 2 : 0)} mA`;
  return `${value.toFixed(unit === "°C" ? 1 : unit === "V" ? 3 : 2)} ${unit}`;
}

const two = (n) => String(n).padStart(2, "0");
const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

// minutesAt is how far the bench's clock is from UTC at a moment: always as far, or
// by a list of [since, minutes], the earliest first, where it is put forward and back.
export function minutesAt(ms, offset) {
  if (!Array.isArray(offset)) return offset;
  return (offset.findLast(([since]) => since <= ms) ?? offset[0])[1];
}

// local is a moment as a date whose UTC is the bench's time.
const local = (ms, offset) => new Date(ms + minutesAt(ms, offset) * 60000);

// dayOf is the date at the bench: 2026-10-25.
export function dayOf(ms, offset) {
  return local(ms, offset).toISOString().slice(0, 10);
}

// clock writes a moment at the bench as exactly as a length of time needs.
export function clock(ms, offset, length) {
  const d = local(ms, offset);
  const day = length > 86400000 ? `${d.getUTCDate()} ${months[d.getUTCMonth()]} ` : "";
  const time = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}`;
  if (length > 7200000 * 6) return day + time;
  const seconds = `${time}:${two(d.getUTCSeconds())}`;
  return length <= 20000 ? `${seconds}.${String(d.getUTCMilliseconds()).padStart(3, "0")}` : day + seconds;
}

// since writes a time since the start of a run: 2:03 or 1:02:03, with thousandths
// where a length of time needs them.
export function since(ms, length) {
  const all = Math.floor(Math.abs(ms) / 1000);
  const hours = Math.floor(all / 3600);
  const head = hours > 0 ? `${hours}:${two(Math.floor(all / 60) % 60)}` : `${Math.floor(all / 60)}`;
  const parts = length <= 20000 ? `.${String(Math.round(Math.abs(ms) % 1000)).padStart(3, "0")}` : "";
  return `${ms < 0 ? "−" : ""}${head}:${two(all % 60)}${parts}`;
}

// lasts writes a length of time.
export function lasts(ms) {
  if (ms < 10000) return `${(ms / 1000).toFixed(ms < 3000 ? 2 : 1)} s`;
  const s = Math.round(ms / 1000);
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${two(s % 60)} s`;
  return `${Math.floor(s / 3600)} h ${two(Math.floor(s / 60) % 60)} min`;
}

const steps = [1, 2, 5, 10, 20, 50, 100, 200, 500].concat(
  [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800].map((s) => s * 1000),
);

// ticks are moments that are round by the bench's clock, at most so many, and the
// distance of two. Where the clock is put back an hour comes twice; where it is put
// forward, one that does not exist is left out.
export function ticks(from, to, many, offset) {
  const step = steps.find((s) => (to - from) / s <= many) ?? steps[steps.length - 1];
  const out = [];
  for (const part of stretches(from, to, offset)) {
    const shift = part.minutes * 60000;
    const last = part.to === to ? to : part.to - 1;
    for (let t = Math.ceil((part.from + shift) / step) * step - shift; t <= last; t += step) out.push(t);
  }
  return { step, at: out };
}

// stretches are the parts of a view in which the clock runs on.
function stretches(from, to, offset) {
  const changes = Array.isArray(offset) ? offset.map(([since]) => since).filter((t) => t > from && t < to) : [];
  const ends = [...changes, to];
  return [from, ...changes].map((start, i) => ({ from: start, to: ends[i], minutes: minutesAt(start, offset) }));
}

// tick writes a round moment as shortly as its distance to the next allows.
export function tick(ms, offset, step) {
  const d = local(ms, offset);
  if (step >= 86400000) return `${d.getUTCDate()} ${months[d.getUTCMonth()]}`;
  const time = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}`;
  if (step >= 60000) return time;
  const seconds = `${time}:${two(d.getUTCSeconds())}`;
  return step >= 1000 ? seconds : `${seconds}.${String(d.getUTCMilliseconds()).padStart(3, "0")}`;
}

// shared reads the part of an address that shares a view: t=from,to in Unix ms.
export function shared(hash) {
  const m = /^#t=(\d{1,15}),(\d{1,15})$/.exec(hash);
  const view = m && { from: Number(m[1]), to: Number(m[2]) };
  return view && view.to > view.from ? view : undefined;
}
