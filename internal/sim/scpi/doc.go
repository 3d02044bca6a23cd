// Package scpi plays a bench supply: a SCPI server on loopback, or an instrument
// without a carrier, whose readings are what a function says at the moment they
// are asked for, and which can be silent, refuse, garble or be slow.
//
// It owns the instrument's side of the dialogue: IEEE 488.2 messages, SCPI-1999
// headers and the error queue. It must not know who asks, what a reading means
// or where the readings come from; quantising them like a real converter is the
// caller's job.
package scpi
