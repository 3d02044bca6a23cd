// Package signature knows starts by their current. From power-up until the
// board is up, the supply's readings are a trace: rails come on one after the
// other, and each step has its level and its length. That table is what a
// technician would write by hand; here it is cut by least-squares change
// points. A trace is compared with references that somebody saved as good or as
// a named fault of the same family, by time warping, and the package says which
// are nearest, how far, and at which step they part.
//
// It is pure: a Finder is given observations and concludes starts with infer;
// who reads recordings and keeps files of references is app's to know. It says
// what a trace looks like, never what is wrong with a board.
//
// What was decided, and why:
//
//   - A trace begins at the first reading of the run and ends two seconds after
//     the mode starting, one after a drop or a stop, or after 60 s.
//     Later currents depend on what is done with the board, and 60 s is a long
//     start of any family.
//   - Levels are medians over 100 ms, or over the reading period where that is
//     longer. Instruments give 2 to 50 readings a second; what is faster than
//     100 ms only the fastest would show, and a median bears a spike.
//     Where a reading was lost the nearest one stands in.
//   - Steps are told apart on a scale that is linear up to 20 mA and
//     logarithmic above: 45 mA and 110 mA are two steps, 600 mA and 650 mA one,
//     as for whoever reads a display. A step has at least 0.3 s and two levels.
//   - Distances are in amperes: the mean difference between the two traces once
//     time is stretched so that they fit best. Nothing is normalised, because
//     the height of a step is what faults change. Time may be stretched by two
//     seconds or 15 % of the start: an assumption of how far good starts of one
//     family lie apart. Two levels beside each other that lie a second apart
//     cost 5 mA, so that of two equal traces the better timed one is nearer.
//     Time that only one of two starts took, beyond that, costs 50 mA.
//   - A trace that dropped goes on without current; one that was merely cut
//     says nothing of what would have followed.
//   - Where two starts part is read from their tables, which are lined up in the
//     same way on the scale of ratios: where steps beside each other differ for
//     a second, by more than they swing.
package signature
