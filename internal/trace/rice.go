package trace

import "math/bits"

// The limits of a Rice code.
const (
	mostOnes  = 24
	mostAdded = 1 << 40
	halveAt   = 32
)

// rice follows how large the numbers are.
type rice struct{ sum, count uint64 }

func newRice() rice { return rice{sum: 8, count: 1} }

// k is how many low bits are written as they are.
func (a *rice) k() uint {
	s := a.sum - a.sum/4
	k := uint(0)
	for a.count<<k < s {
		k++
	}
	return k
}

func (a *rice) follow(u uint64) {
	a.sum += min(u, mostAdded)
	if a.count++; a.count == halveAt {
		a.sum, a.count = a.sum/2, a.count/2
	}
}

func (a *rice) put(w *bitWriter, d int64) {
	u := zigzag(d)
	k := a.k()
	if q := u >> k; q < mostOnes {
		w.write(1<<(q+1)-2, uint(q)+1)
		w.write(u, k)
	} else {
		n := uint(bits.Len64(u))
		w.write(1<<mostOnes-1, mostOnes)
		w.write(uint64(n-1), 6)
		w.write(u, n)
	}
	a.follow(u)
}

func (a *rice) get(r *bitReader) int64 {
	k := a.k()
	var u uint64
	if q := r.ones(mostOnes); q < mostOnes {
		u = uint64(q)<<k | r.read(k)
	} else {
		u = r.read(uint(r.read(6)) + 1)
	}
	a.follow(u)
	return int64(u>>1) ^ -int64(u&1)
}

func zigzag(d int64) uint64 { return uint64(d)<<1 ^ uint64(d>>63) }
