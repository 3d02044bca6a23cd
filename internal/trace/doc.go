// Package trace owns the packed form of what instruments and counters show:
// blocks of readings, exact to the last digit and to the millisecond, and the
// one-second roll-ups beside them. It is pure and knows nothing of stores,
// stations or what readings mean.
//
// # Blocks, version 1
//
// A block holds 1 to MaxPoints points, in order of time, of one source. Numbers
// are unsigned LEB128 varints ("u") or zigzag varints ("z") as in
// encoding/binary; everything is in this order:
//
//	byte     version, 1
//	u        number of points, n
//	u        period in ns, 0: none
//	z u      with a period: start in Unix ms, and phase in ns beyond it
//	u        with a period: number of gaps; for each
//	u u        points since the gap before (or the first point), and readings lost there, from 1
//	column   the clock
//	byte     which of the five values the block has, bit 0 for the first
//	column   for each of them
//	bits     see below, the last byte filled with zeroes
//	4 bytes  CRC-32C (Castagnoli) of all before, big endian
//
// A column says how its numbers are packed:
//
//	byte     bits 0-1 prediction; bit 2: unknown in places
//	z        its first known number
//	u        step, the resolution found from the numbers; 0: they are all the same
//
// With a period the clock's numbers are what a point's time differs in ms from
// start + (phase + g·period) / 1,000,000, rounded down, where g counts points and lost
// readings from the block's first point; without, they are the times in Unix ms.
// Period and phase are fitted to the block, so that the drift between an instrument's clock and the
// host's is in them. A block's values are, by bit: volts (µV), amperes (µA), volts
// set (µV), limit (µA) and output (0 or 1) of a reading, the temperature (m°C),
// or the count of URBs.
//
// The bits, most significant first, hold the clock, then each column: where it
// is unknown in places, the lengths of the stretches in which it is known and
// not, in turn, known first (0 if it begins unknown), each as the difference to the
// one two before (0 for the first two); then, unless they are all the same, its numbers
// from the second on, less the first and divided by the step, as the difference to
// what the prediction expects:
//
//	0  nothing: 0                 2  the mean of the two before, rounded down
//	1  the one before             3  a slow mean m: m += (16·x - m) >> 2, m/16 rounded
//
// where there is nothing before, 0 stands for it. Differences d are packed as
// zigzag numbers u, in arithmetic modulo 2⁶⁴, by adaptive Rice codes: with sum s
// and count c of the numbers before, from s=8, c=1 in each column, k is the least for which
// c·2^k ≥ s·3/4; u is u>>k ones (below 24), a zero, and the k low bits of u; a
// larger one is 24 ones, its length in bits less one as 6 bits, and itself. Then s += min(u, 2⁴⁰) and
// c += 1; at c = 32 both are halved, rounded down.
//
// # Roll-ups, version 1
//
// The roll-ups of a block are packed alike, without limits of their own, one point for each full
// second in which there was a reading, at its start; the version byte is 0x81
// and the mask of values is eight bits wide: for volts, then for amperes, the least, the greatest less the
// least, the mean less the least (rounded to a tenth of the block's resolution),
// and last how many readings there were.
//
// # Frames
//
// A frame is blocks of several channels, one behind the other; see AppendPiece.
package trace
