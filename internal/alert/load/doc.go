// Package load measures what alerts ask of people: how often they ring, whether
// they come in floods, chatter or go stale, and how soon somebody sees to them;
// each against a published target where there is one, with hints which rule to
// change. Words and measures are those of ISA-18.2, IEC 62682 and EEMUA 191.
//
// It counts what rang, not what was sent: repeats, escalation and the number of
// receivers are the roster's doing. It gets events and the time as arguments.
package load
