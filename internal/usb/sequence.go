package usb

// maxMissing bounds the numbers remembered as missing; a longer gap is counted
// as lost at once.
const maxMissing = 1024

// sequence follows SEQNUM to find lost messages. A missing number is not lost
// at once: newer kernels number a message before they queue it, so two
// processors may deliver out of order (lib/kobject_uevent.c since 6.10, from
// memory). Devices of other network namespaces take numbers too, so on a
// system with containers what is counted as lost is an upper bound.
type sequence struct {
	next    uint64 // the number expected; 0 before the first message
	missing map[uint64]struct{}
	told    uint64 // overruns told by the kernel and counted, their gap not yet seen
}

// take notes number n. It reports a new gap, and how many messages have now
// become known to be lost.
func (s *sequence) take(n uint64) (gap bool, lost uint64) {
	switch {
	case s.next == 0 || n == s.next:
		s.next = n + 1
	case n < s.next:
		s.late(n)
	default:
		gap, lost = true, s.skip(n)
		s.next = n + 1
	}
	return gap, lost
}

// late takes a number from the past: one that was missing, or the start of a
// new count when it lies far back.
func (s *sequence) late(n uint64) {
	if _, ok := s.missing[n]; !ok && s.next-n > maxMissing {
		s.next = n + 1
	}
	delete(s.missing, n)
}

// skip remembers the numbers before n as missing.
func (s *sequence) skip(n uint64) (lost uint64) {
	if n-s.next+uint64(len(s.missing)) > maxMissing {
		return s.settle() + s.confirm(n-s.next)
	}
	if s.missing == nil {
		s.missing = map[uint64]struct{}{}
	}
	for ; s.next < n; s.next++ {
		s.missing[s.next] = struct{}{}
	}
	return 0
}

// overrun notes that the kernel dropped at least one message.
func (s *sequence) overrun() (lost uint64) {
	s.told++
	return 1
}

// settle gives up waiting for what is missing.
func (s *sequence) settle() (lost uint64) {
	lost = s.confirm(uint64(len(s.missing)))
	clear(s.missing)
	return lost
}

// confirm takes n messages as lost and returns how many of them were not yet
// counted when the kernel told of an overrun.
func (s *sequence) confirm(n uint64) uint64 {
	known := min(n, s.told)
	s.told -= known
	return n - known
}
