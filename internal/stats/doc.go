// Package stats is the mathematics that the watch stands on: charts of a level
// against itself, sequential tests, survival with runs still going on, lifetimes
// and their limits, limits of a proportion. It knows numbers alone: no board,
// no mode, no unit but those that its callers bring, no clock and no I/O.
//
// Every function says its formula, its units and its source, and every one is
// held in tests against values that somebody published. Arguments outside their
// range are a programmer's error and give NaN or an error, never a plausible
// number.
package stats
