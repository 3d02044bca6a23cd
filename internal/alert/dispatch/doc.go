// Package dispatch takes messages from the outbox to the outlets, at least once.
// It must not know what stores them, what an outlet speaks, or why an alert was
// raised.
//
// # What is promised
//
// A message is sent, then noted as sent: a crash between the two repeats it under
// the same key and loses none. Every try is noted with the time of the next, so
// that a restart goes on where it was. A message is never on its way twice at the
// same time. Hand never waits: not for the store, not for an outlet.
//
// Each outlet has a worker, a queue, a rate, and a time within which it has to
// answer: one that hangs delays no other. What fails is tried again after a random
// part of 1, 2, 4 … seconds, at most Limits.Longest; while an outlet fails one
// message at a time is tried. Retry-After is kept to, up to Limits.Pause. What an
// outlet refuses for good is given up, with what it would have told. Trouble is called when that happens and
// when an outlet has failed for Options.Patience, and again when a message went
// through.
//
// Within an outlet, what weighs more goes first, then what came first. Messages
// about one point (station, kind, rule) to one receiver keep their order.
//
// # What is told after an outage
//
// While an outlet is down its messages pile up, and most of them are overtaken.
// They are folded when the oldest of a point has waited for Options.Stale (a
// minute), by three rules:
//
//  1. Of one alert only the latest message goes out. If its raising was not told
//     before, the message says since when it stood (alert.Message.Missed), and
//     rings, even if the alert is over.
//  2. An earlier occurrence at the same point that was never told goes with the
//     latest one, as a line in Missed. One that was told as standing is told as
//     over by a message of its own.
//  3. If messages of more than Options.Few alerts that came and went unheard wait
//     for one receiver, they become one, the latest, with the others in Missed.
//
// So every alert is told at least once, what still stands is told by itself, and
// the number of messages depends on the number of points, not on the length of the
// outage. A message that was folded into another is noted as sent after that one
// was sent, before it: whatever a crash leaves, the older one is not told after the
// newer. Once the end of an alert was told, what is older of it is noted and not
// sent. Limits.Verbatim, for outlets where a program listens, switches folding off.
//
// # Bounds
//
// An outlet's queue holds Options.Queue messages, those folded into others counted.
// What is beyond stays in the store and is read when half of the queue is gone;
// until then nothing overtakes it. Messages of an outlet that is not configured
// stay for a day, in case it comes back, and are given up then. While the ledger
// cannot be written (Parted), there is no store behind the queue: beyond it
// messages are dropped and counted.
//
// Waits are by the monotonic clock. The wall clock says what is due after a restart;
// if it was stepped back meanwhile, nothing waits longer than it would have.
package dispatch
