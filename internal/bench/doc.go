// Package bench is the vocabulary of the whole program as plain values: modes,
// observations (facts from outside), events (conclusions) and snapshots (what
// a station looks like now). It decides nothing, reads no clock and does no
// I/O; it imports only unit.
//
// A station is one place on the bench: a USB port path, a supply channel, both
// or neither. A run is one unbroken powered interval of what is hooked up
// there. Observations flow from the sources through infer and become events;
// nothing flows back.
package bench
