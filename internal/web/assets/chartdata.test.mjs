// Tests of chartdata.js: node --test.

import assert from "node:assert/strict";
import { test } from "node:test";
import { Answers, ask, clamp, clock, dayOf, minutesAt, since, table, tick, ticks, valueAt, zoomed } from "./chartdata.js";

const hour = 3600000;

// Central Europe's clock in 2026: +02:00 from 29 March, 01:00 UTC, and +01:00 from
// 25 October, 01:00 UTC (directive 2000/84/EC, from memory).
const europe = [[Date.UTC(2025, 9, 26, 1), 60], [Date.UTC(2026, 2, 29, 1), 120], [Date.UTC(2026, 9, 25, 1), 60]];
const back = Date.UTC(2026, 9, 25, 1);
const forward = Date.UTC(2026, 2, 29, 1);

test("the hour that comes twice is labelled twice, each with its own time", () => {
  const { step, at } = ticks(back - 3 * hour, back + 3 * hour, 6, europe);
  assert.equal(step, hour);
  assert.deepEqual(at.map((t) => tick(t, europe, step)), ["00:00", "01:00", "02:00", "02:00", "03:00", "04:00", "05:00"]);
  assert.deepEqual(at.slice(1).map((t, i) => t - at[i]), Array(at.length - 1).fill(hour));
});

test("the hour that is left out is not labelled", () => {
  const { at, step } = ticks(forward - 2 * hour, forward + 2 * hour, 4, europe);
  assert.deepEqual(at.map((t) => tick(t, europe, step)), ["00:00", "01:00", "03:00", "04:00", "05:00"]);
});

test("the clock of a moment is that of its own day", () => {
  assert.equal(clock(back - 1, europe, 60000), "02:59:59");
  assert.equal(clock(back, europe, 60000), "02:00:00");
  assert.equal(clock(back - 1, europe, 1000), "02:59:59.999");
  assert.equal(dayOf(Date.UTC(2026, 9, 24, 22, 30), europe), "2026-10-25");
  assert.equal(dayOf(Date.UTC(2026, 9, 25, 22, 30), europe), "2026-10-25");
  assert.equal(minutesAt(0, europe), 60, "before all that is told: as at its beginning");
  assert.equal(minutesAt(back, 345), 345, "a clock that never changes");
});

const chart = {
  from: 1000000, step_ms: 1000,
  channels: [{ name: "amps", unit: "A", scale: 0.5, t: [0, 1000, 2000, 9000], min: [1, 2, null, 4], mean: [2, 3, null, 5], max: [3, 9, null, 6] }],
};

test("least, mean and greatest are drawn apart, and a gap stays one", () => {
  const [t, min, mean, max] = table(chart, chart.channels[0]);
  assert.deepEqual(t, [1000000, 1001000, 1002000, 1009000]);
  assert.deepEqual([min, mean, max].map((v) => v[2]), [null, null, null]);
  assert.deepEqual([min[1], mean[1], max[1]], [1, 1.5, 4.5]);
});

test("readings as they are stand for all three", () => {
  const [, min, mean, max] = table(chart, { scale: 2, t: [0, 5], v: [1, null] });
  assert.deepEqual([min, mean, max], [[2, null], [2, null], [2, null]]);
});

test("under the cursor is the column that holds the moment, and nothing in a gap", () => {
  const [amps] = chart.channels;
  assert.deepEqual(valueAt(chart, amps, 1001900), { at: 1001000, min: 1, mean: 1.5, max: 4.5 });
  assert.equal(valueAt(chart, amps, 1002500), undefined, "unknown is not zero");
  assert.equal(valueAt(chart, amps, 1006000), undefined, "far from any column");
  assert.equal(valueAt(chart, amps, 999999), undefined, "before all");
  const raw = { from: 0, step_ms: 0 };
  assert.equal(valueAt(raw, { scale: 1, t: [0, 1000], v: [1, 2] }, 700).mean, 2, "the nearer reading");
});

test("zooming keeps the moment under the pointer, and ends at a second", () => {
  const whole = { from: 0, to: 12 * hour };
  let view = whole;
  for (let i = 0; i < 30; i++) {
    view = clamp(zoomed(view, 2, 5 * hour), whole);
    assert.ok(view.from <= 5 * hour && 5 * hour <= view.to);
  }
  assert.equal(Math.round(view.to - view.from), 1000);
  assert.deepEqual(clamp({ from: -5 * hour, to: 30 * hour }, whole), whole);
});

test("so many columns are asked for that the screen is filled, and no more", () => {
  for (let length = 1000; length < 12 * hour; length *= 1.7) {
    const view = { from: 6 * hour, to: Math.min(6 * hour + length, 12 * hour) };
    const asked = ask(view, 1000, { from: 0, to: 12 * hour });
    assert.ok(asked.from <= view.from && asked.to >= view.to);
    const seen = (asked.points * (view.to - view.from)) / (asked.to - asked.from);
    assert.ok(seen > 900 && seen < 1100, `${seen} columns in ${view.to - view.from} ms`);
  }
});

test("meanwhile the finest answer that has all of the view is drawn", () => {
  const answers = new Answers();
  const add = (from, to, points, step_ms) => answers.add({ from, to, points }, { from, to, step_ms });
  add(0, 100000, 100, 1000);
  add(40000, 60000, 100, 200);
  assert.equal(answers.best({ from: 45000, to: 55000 }).step_ms, 200);
  assert.equal(answers.best({ from: 30000, to: 55000 }).step_ms, 1000);
  assert.equal(answers.enough({ from: 45000, to: 55000 }, { from: 40000, to: 60000, points: 200 }), undefined);
  answers.forget(70000);
  assert.equal(answers.best({ from: 0, to: 100000 }).step_ms, 200);
});

test("times since a start", () => {
  assert.equal(since(123000, 60000), "2:03");
  assert.equal(since(3723000, 60000), "1:02:03");
  assert.equal(since(-1500, 1000), "−0:01.500");
});
