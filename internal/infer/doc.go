// Package infer turns observations into conclusions: modes, runs, windows and
// stalls. It is the heart of the program and pure: it does no I/O, reads no
// clock and starts no goroutine, so the same observations always give the same
// events, live or replayed.
//
// An Engine follows one station. Step gives it an observation, Tick tells it
// that time has passed; both return the events that became certain. Time moves
// through silence in steps of 100 ms on a grid from the first observation, and
// an observation is taken before a step at the same moment, so it makes no
// difference when, or whether, Tick was called in between.
//
// What the events mean exactly:
//
//   - run.started: the first of two consecutive readings above StartsAbove;
//     without readings, the appearance on USB. Already up at first sight:
//     the run starts there, assumed.
//   - run.dropped: the current sat in the off band for two readings and OffFor,
//     or below StartsAbove for 0.5 s and three readings with USB gone or never
//     seen, or any such reading fell together (within 1 s) with the USB
//     removal. Time is the first such reading. Where USB bus power feeds the
//     board too, USB must be gone as well. In a mode with planned restarts one
//     reading together with the removal is a restart, not a drop.
//   - without readings: absent from USB for longer than the mode's gap.
//   - run.restarted: an absence within the gap, in a mode with planned restarts,
//     and a whole start longer where readings show that power was held. In
//     running, a start's absence with another current is a drop of kind reset.
//   - run.stopped: a mark "stop", or the supply's output switched off. No run
//     starts until off was seen. A mark "resume" meanwhile says that the stop was a
//     mistake: the same run goes on, told by run.started of kind "resumed" with its
//     old start, and the goal that the stop has ended by watch.armed of that kind.
//   - window.met: on good evidence at or after the moment, never while a drop
//     is suspected. window.missed: the run dropped before.
//   - supply.lost: no good reading for max(3 s, ten reading periods).
//   - stall.raised: nothing moved for longer than the mode's quiet limit.
//   - start.hung: starting lasted longer than its longest dwell.
//   - current.high: three seconds above the mode's limit ("limit"), or a minute of
//     standby in the upper third of its band ("leak"). current.collapsed: two
//     seconds with the supply at its limit and the volts sagging.
//     current.drifting: the level of a steady mode has left its own first 30 s,
//     by a CUSUM chart. Each at most once in a mode, none while hands are on.
//   - watch.armed: a mark "arm" with a goal, in the place of the one before.
//     watch.done, on good evidence as a window is: a stay lasted for the window
//     from its origin, or for its own length from when it was armed and not
//     before that origin; the mode to reach, or running after re-pairing, has
//     stood for 5 s; or a mark "done", which alone ends a copy. watch.failed: the
//     run dropped after it was armed ("dropped"), or the limit, counted from when it was armed, is
//     over ("late", told 5 s later); a person or routine ended the run
//     ("stopped"), disarmed it or armed another. Time is when that happened.
//
// The mode follows from these meanings and from the identity on the bus where
// they say what it is. Where they leave several modes open, a hidden Markov
// forward filter over the profile's modes weighs them: ten steps a second, by
// the level and liveliness of the current, the traffic, what people saw on the
// screen, and what usually follows what (filter.go, belief.go).
package infer
