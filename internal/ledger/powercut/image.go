package powercut

import "bytes"

// sector is the size of what a disk writes wholly or not at all.
const sector = 512

// Image is what is found on the disk after a power cut, by paths from the root.
type Image struct {
	Folders []string // each after those it lies in
	Files   map[string][]byte
}

// Cut says what a power cut now may leave. pick decides, as a number from 0 up
// to, not including, its argument.
func (d *Disk) Cut(pick func(n int) int) Image {
	img := Image{Files: map[string][]byte{}}
	d.top.each("", func(f *folder) map[string]entry { return f.left(pick) }, func(name string, e entry) {
		if e.folder != nil {
			img.Folders = append(img.Folders, name)
		} else {
			img.Files[name] = e.file.left(pick)
		}
	})
	return img
}

// fate is what becomes of changes that were not synced.
type fate int

const (
	none  fate = iota // all are lost
	every             // none is lost
	until             // they are kept up to one, of which a part is
	but               // one is lost
	apart             // each part has its own fate
	fates
)

// left picks what names a folder has.
func (f *folder) left(pick func(int) int) map[string]entry {
	names := map[string]entry{}
	for name, e := range f.safe {
		names[name] = e
	}
	if len(f.moves) == 0 {
		return names
	}
	how, one := fate(pick(int(fates))), pick(len(f.moves))
	for i, m := range f.moves {
		keep := false
		switch how {
		case every:
			keep = true
		case until:
			keep = i < one
		case but:
			keep = i != one
		case apart:
			keep = pick(2) == 0
		}
		if keep {
			m.apply(names)
		}
	}
	return names
}

// left picks what a file holds.
func (f *file) left(pick func(int) int) []byte {
	if len(f.changes) == 0 {
		return bytes.Clone(f.safe)
	}
	how, one := fate(pick(int(fates))), pick(len(f.changes))
	extent := max(int64(len(f.safe)), f.changes[len(f.changes)-1].extent)
	kept := f.kept(how, one, extent, pick)
	out := resize(bytes.Clone(f.safe), extent)
	seen := make([]int, len(kept))
	for i := range f.changes {
		c := &f.changes[i]
		c.sectors(func(s, from, to int64) {
			if seen[s]++; seen[s] > kept[s] {
				return
			}
			if c.cut {
				clear(out[from:to])
			} else {
				copy(out[from:to], c.data[from-c.at:])
			}
		})
	}
	if pick(4) == 0 {
		f.spoil(out, kept, pick)
	}
	return out[:f.size(how, one, pick)]
}

// kept is how many of its changes each sector saw.
func (f *file) kept(how fate, one int, extent int64, pick func(int) int) []int {
	kept := make([]int, (extent+sector-1)/sector)
	lost := make([]bool, len(kept))
	for i := range f.changes {
		f.changes[i].sectors(func(s, _, _ int64) {
			switch {
			case how == until && (i > one || i == one && pick(2) == 0), how == but && i == one:
				lost[s] = true // and so is what comes later, as far as it lies in the same sector
			}
			if how != none && !lost[s] {
				kept[s]++
			}
		})
	}
	if how == apart {
		for s := range kept {
			kept[s] = pick(kept[s] + 1)
		}
	}
	return kept
}

// size picks a length.
func (f *file) size(how fate, one int, pick func(int) int) int64 {
	sizes := []int64{int64(len(f.safe))}
	for i := range f.changes {
		c := &f.changes[i]
		if c.cut {
			sizes = append(sizes, c.at)
		} else {
			sizes = append(sizes, max(sizes[i], c.at+int64(len(c.data))))
		}
	}
	switch how {
	case none:
		return sizes[0]
	case until:
		return sizes[one+pick(2)]
	case apart:
		return sizes[pick(len(sizes))]
	}
	return sizes[len(sizes)-1]
}

// spoil fills what was never written with rubbish.
func (f *file) spoil(out []byte, kept []int, pick func(int) int) {
	for s, n := range kept {
		for i := max(s*sector, len(f.safe)); n == 0 && i < min((s+1)*sector, len(out)); i++ {
			out[i] = byte(pick(256))
		}
	}
}

// sectors gives each sector that a change touches, and which bytes of the file.
func (c *change) sectors(do func(sector, from, to int64)) {
	from, to := c.at, c.at+int64(len(c.data))
	if c.cut {
		to = c.extent
	}
	for from < to {
		end := min(to, (from/sector+1)*sector)
		do(from/sector, from, end)
		from = end
	}
}
