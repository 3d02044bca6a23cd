package trace

import "math/bits"

// bitWriter packs bits, most significant first.
type bitWriter struct {
	out  []byte
	acc  uint64
	free uint // bits of acc that are not used yet, 1 to 64
}

func newBitWriter(out []byte) bitWriter { return bitWriter{out: out, free: 64} }

// write adds the n low bits of v, n at most 64.
func (w *bitWriter) write(v uint64, n uint) {
	if n < 64 {
		v &= 1<<n - 1
	}
	if n < w.free {
		w.free -= n
		w.acc |= v << w.free
		return
	}
	n -= w.free
	w.acc |= v >> n
	w.out = append(w.out, byte(w.acc>>56), byte(w.acc>>48), byte(w.acc>>40), byte(w.acc>>32),
		byte(w.acc>>24), byte(w.acc>>16), byte(w.acc>>8), byte(w.acc))
	w.acc, w.free = 0, 64-n
	if n > 0 {
		w.acc = v << w.free
	}
}

// bytes ends the writing.
func (w *bitWriter) bytes() []byte {
	for used := 64 - int(w.free); used > 0; used -= 8 {
		w.out = append(w.out, byte(w.acc>>56))
		w.acc <<= 8
	}
	return w.out
}

// bitReader reads them back. Beyond the end it gives zeroes and remembers it.
type bitReader struct {
	in   []byte
	acc  uint64
	have uint // bits of acc that are not read yet
	over bool
}

func (r *bitReader) fill() {
	for r.have <= 56 && len(r.in) > 0 {
		r.acc |= uint64(r.in[0]) << (56 - r.have)
		r.in = r.in[1:]
		r.have += 8
	}
}

// read takes n bits, n at most 64.
func (r *bitReader) read(n uint) uint64 {
	if n > 32 {
		high := r.read(n - 32)
		return high<<32 | r.read(32)
	}
	if n == 0 {
		return 0
	}
	if r.have < n {
		r.fill()
	}
	v := r.acc >> (64 - n)
	r.skip(n)
	return v
}

func (r *bitReader) skip(n uint) {
	if n > r.have {
		r.over, r.acc, r.have = true, 0, 0
		return
	}
	r.acc <<= n
	r.have -= n
}

// ones takes up to most ones, and the zero that ends fewer.
func (r *bitReader) ones(most uint) uint {
	if r.have <= most {
		r.fill()
	}
	n := uint(bits.LeadingZeros64(^r.acc))
	if n >= most {
		r.skip(most)
		return most
	}
	r.skip(n + 1)
	return n
}
