// Package rule decides what people have to hear of: from a station's events, its
// snapshot at that moment, its readings and the bench's own troubles, to alerts
// that are raised, changed and returned to normal. It owns the severities, the
// hold times and the words. It knows nothing of who is told, by what, and whether
// somebody has acknowledged: alert/life and alert/roster do.
//
// A condition is something that stands at a point (station, kind, rule). It is
// told once its hold time is over; what is dangerous has none. A cause is a
// condition made of others: a hub, a supply, the USB watch. What belongs to a
// cause is not told beside it, and what was told before the cause was known is
// taken into it. The first of many is told at once all the same, so a hub with
// eight stations rings twice, not eight times. That a cause silences its
// consequences, and that the first one out is shown, are notions of EEMUA 191 and
// ISA-18.2 (from memory); how they are reached here is our own.
//
// The package is pure: time comes as an argument, nothing is read or written and
// no goroutine is started. What is remembered is a record for each station and
// each condition that stands. Rules are not safe for concurrent use.
package rule
