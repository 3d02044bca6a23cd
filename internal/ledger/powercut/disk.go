package powercut

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// Disk is what is on a disk, below a folder that is there for good: what the
// process sees, and what is safe of it.
type Disk struct {
	// Ignore says of which files and folders syncs do nothing, by their path; nil: of none.
	// With it a check can be shown to find what is lost.
	Ignore func(path string) bool

	root  string
	top   *folder
	syncs map[string]sync // under way, by thread
	count int             // of changes
}

// sync is one under way: it saves what had happened when it began.
type sync struct {
	of   entry
	upTo int
}

// entry is what a name stands for: one of the two.
type entry struct {
	file   *file
	folder *folder
}

// file is a file: what is safe, what the process sees, and the changes from
// the one to the other.
type file struct {
	safe, now []byte
	changes   []change
}

// change is one of a file: data at a place, or a new length.
type change struct {
	number int
	at     int64 // of a truncation: the length
	data   []byte
	cut    bool
	extent int64 // how long the file had been at most, with this
}

// folder is a folder in the same way.
type folder struct {
	safe, now map[string]entry
	moves     []move
}

// move is one change of names.
type move struct {
	number   int
	add, del string // either may be empty
	what     entry  // of add
}

// NewDisk makes a disk with an empty folder.
func NewDisk(root string) *Disk {
	return &Disk{root: root, top: newFolder(), syncs: map[string]sync{}}
}

func newFolder() *folder { return &folder{safe: map[string]entry{}, now: map[string]entry{}} }

// Keep puts a file on the disk that was there before, with the folders it lies
// in. All of it is safe.
func (d *Disk) Keep(name string, data []byte) error {
	rest, ok := strings.CutPrefix(name, d.root+"/")
	if !ok {
		return fmt.Errorf("%s lies in no folder that is known", name)
	}
	parts := strings.Split(rest, "/")
	in := d.top
	for _, p := range parts[:len(parts)-1] {
		e, there := in.now[p]
		if !there {
			e = entry{folder: newFolder()}
			in.now[p], in.safe[p] = e, e
		}
		if in = e.folder; in == nil {
			return fmt.Errorf("%s lies in a file", name)
		}
	}
	last := parts[len(parts)-1]
	in.now[last] = entry{file: &file{safe: slices.Clone(data), now: slices.Clone(data)}}
	in.safe[last] = in.now[last]
	return nil
}

// Do makes a call. What is said changes nothing.
func (d *Disk) Do(c Call) error {
	d.count++
	switch c.Kind {
	case Create:
		return d.add(c.Path, entry{file: &file{}})
	case Mkdir:
		return d.add(c.Path, entry{folder: newFolder()})
	case Write, Truncate:
		return d.change(c)
	case Rename:
		return d.rename(c.Path, c.To)
	case Remove:
		in, name, _, err := d.find(c.Path)
		if err == nil {
			in.move(move{number: d.count, del: name})
		}
		return err
	case SyncBegins:
		what, err := d.entry(c.Path)
		if err == nil && (d.Ignore == nil || !d.Ignore(c.Path)) {
			d.syncs[c.By] = sync{what, d.count}
		}
		return err
	case SyncEnds:
		if s, ok := d.syncs[c.By]; ok {
			s.of.save(s.upTo)
			delete(d.syncs, c.By)
		}
	}
	return nil
}

// Files gives what the process sees, by their path from the root.
func (d *Disk) Files() map[string][]byte {
	out := map[string][]byte{}
	d.top.each("", func(f *folder) map[string]entry { return f.now }, func(name string, e entry) {
		if e.file != nil {
			out[name] = e.file.now
		}
	})
	return out
}

// each gives every entry, from the top down.
func (f *folder) each(at string, names func(*folder) map[string]entry, do func(name string, e entry)) {
	list := names(f)
	for _, name := range sorted(list) {
		e := list[name]
		do(path.Join(at, name), e)
		if e.folder != nil {
			e.folder.each(path.Join(at, name), names, do)
		}
	}
}

func sorted(m map[string]entry) (names []string) {
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// parent finds the folder in which a path is.
func (d *Disk) parent(name string) (*folder, string, error) {
	rest, ok := strings.CutPrefix(name, d.root+"/")
	parts := strings.Split(rest, "/")
	in := d.top
	for _, p := range parts[:len(parts)-1] {
		if in = in.now[p].folder; in == nil {
			break
		}
	}
	if !ok || in == nil {
		return nil, "", fmt.Errorf("%s lies in no folder that is known", name)
	}
	return in, parts[len(parts)-1], nil
}

// find finds what there is at a path.
func (d *Disk) find(name string) (*folder, string, entry, error) {
	in, last, err := d.parent(name)
	if err != nil {
		return nil, "", entry{}, err
	}
	e, ok := in.now[last]
	if !ok {
		err = fmt.Errorf("%s is not there", name)
	}
	return in, last, e, err
}

func (d *Disk) entry(name string) (entry, error) {
	if name == d.root {
		return entry{folder: d.top}, nil
	}
	_, _, e, err := d.find(name)
	return e, err
}

// add makes a name where there is none.
func (d *Disk) add(name string, what entry) error {
	in, last, err := d.parent(name)
	if err != nil {
		return err
	}
	if _, there := in.now[last]; !there {
		in.move(move{number: d.count, add: last, what: what})
	}
	return nil
}

func (d *Disk) rename(from, to string) error {
	in, old, what, err := d.find(from)
	if err != nil {
		return err
	}
	other, name, err := d.parent(to)
	if err != nil {
		return err
	}
	if in != other {
		return fmt.Errorf("rename %s to %s: the model knows no moves between folders", from, to)
	}
	in.move(move{number: d.count, add: name, del: old, what: what})
	return nil
}

func (f *folder) move(m move) {
	m.apply(f.now)
	f.moves = append(f.moves, m)
}

func (m *move) apply(names map[string]entry) {
	if m.del != "" {
		delete(names, m.del)
	}
	if m.add != "" {
		names[m.add] = m.what
	}
}

func (d *Disk) change(c Call) error {
	e, err := d.entry(c.Path)
	if err != nil {
		return err
	}
	if e.file == nil {
		return fmt.Errorf("%s is no file", c.Path)
	}
	f, ch := e.file, change{number: d.count, at: c.At, data: c.Data, cut: c.Kind == Truncate}
	ch.extent = max(int64(len(f.now)), ch.at+int64(len(ch.data)))
	if n := len(f.changes); n > 0 {
		ch.extent = max(ch.extent, f.changes[n-1].extent)
	}
	f.now = ch.apply(f.now)
	f.changes = append(f.changes, ch)
	return nil
}

// apply makes a change in place, as far as there is room.
func (c *change) apply(b []byte) []byte {
	if c.cut {
		return resize(b, c.at)
	}
	b = resize(b, max(int64(len(b)), c.at+int64(len(c.data))))
	copy(b[c.at:], c.data)
	return b
}

// resize gives bytes another length, new ones as zeros.
func resize(b []byte, size int64) []byte {
	if size <= int64(len(b)) {
		return b[:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

// save makes safe what happened up to a change.
func (e entry) save(upTo int) {
	if f := e.folder; f != nil {
		f.moves = slices.DeleteFunc(f.moves, func(m move) bool {
			if m.number <= upTo {
				m.apply(f.safe)
			}
			return m.number <= upTo
		})
		return
	}
	f := e.file
	f.changes = slices.DeleteFunc(f.changes, func(c change) bool {
		if c.number <= upTo {
			f.safe = c.apply(f.safe)
		}
		return c.number <= upTo
	})
}
