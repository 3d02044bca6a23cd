// Package supply is a source of observations: it asks one instrument for volts
// and amperes, many times a second, and says when the instrument is lost, back
// or in trouble. One Poller serves one station and shares at most its connection
// with others at the same instrument, so that no instrument delays another.
//
// It owns the SCPI dialogue (IEEE 488.2, SCPI-1999) and the connection: pace,
// time-outs, resynchronising, reconnecting. It must not know what a current
// means: modes, runs and stations' windows are none of its business. It only
// ever asks, and at most chooses which output it asks about; nothing here can
// change the output of a supply.
//
// Contract: Run emits from one goroutine, in the order of the observations'
// stamps, and never waits for the receiver. At most one query is in flight on a
// connection, and its answer is read before the next one is sent. An answer that
// comes after its time-out is never taken for the answer of a later query: the
// connection it would come on is closed, and where closing does not end it (a
// serial line, USBTMC) what comes is dropped before the next one is asked.
//
// A meter that streams lines is not asked: a pattern reads them (lines.go).
//
// Another way to reach an instrument is one new file with its transport, and its
// line in transports.
package supply
