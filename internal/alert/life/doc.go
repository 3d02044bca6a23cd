// Package life keeps the book of alerts: what stands at every point, in which
// state, and what step a raise, a return, an act of a person or the passing of
// time makes of it. The states and most steps are those of IEC 62682 and
// ISA-18.2 (the alarm state transition diagram; from memory). Where this book
// goes further, the table says so.
//
// The book decides only: it gets the time as an argument, and what it decides it
// hands out as events, each with the whole alert as it stands after the step. The
// events of a ledger, applied in their order to a new book, give that book again.
// Whether and whom an alert is told is roster's to say.
package life
