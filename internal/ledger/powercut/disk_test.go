package powercut_test

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/ledger/powercut"
)

// did makes calls on a disk.
func did(t *testing.T, calls ...powercut.Call) *powercut.Disk {
	t.Helper()
	d := powercut.NewDisk("/r")
	do(t, d, calls...)
	return d
}

func do(t *testing.T, d *powercut.Disk, calls ...powercut.Call) {
	t.Helper()
	for _, c := range calls {
		if err := d.Do(c); err != nil {
			t.Fatalf("%+v: %v", c, err)
		}
	}
}

func create(name string) powercut.Call { return powercut.Call{Kind: powercut.Create, Path: name} }

func write(name string, at int64, data string) powercut.Call {
	return powercut.Call{Kind: powercut.Write, Path: name, At: at, Data: []byte(data)}
}

func truncate(name string, size int64) powercut.Call {
	return powercut.Call{Kind: powercut.Truncate, Path: name, At: size}
}

func synced(name string) (powercut.Call, powercut.Call) {
	return powercut.Call{Kind: powercut.SyncBegins, Path: name, By: "7"}, powercut.Call{Kind: powercut.SyncEnds, Path: name, By: "7"}
}

// sync makes a whole sync.
func sync(t *testing.T, d *powercut.Disk, names ...string) {
	t.Helper()
	for _, name := range names {
		begins, ends := synced(name)
		do(t, d, begins, ends)
	}
}

// outcomes are all different images that many cuts give, as text.
func outcomes(d *powercut.Disk) []string {
	rnd := rand.New(rand.NewPCG(1, 2))
	seen := map[string]bool{}
	for range 1000 {
		img := d.Cut(rnd.IntN)
		var b strings.Builder
		for _, f := range img.Folders {
			fmt.Fprintf(&b, "%s/ ", f)
		}
		for _, f := range slices.Sorted(maps.Keys(img.Files)) {
			fmt.Fprintf(&b, "%s=%s ", f, brief(img.Files[f]))
		}
		seen[strings.TrimSpace(b.String())] = true
	}
	return slices.Sorted(maps.Keys(seen))
}

var letter = map[byte]string{0: "0", 'a': "a", 'b': "b", 'c': "c"}

// brief says bytes as letters, 0 for zeros, with how often each comes, and ?
// for a sector of rubbish.
func brief(b []byte) (out string) {
	last, times := "", 0
	add := func(what string, n int) {
		if what != last && times > 0 {
			out += fmt.Sprint(last, times)
			times = 0
		}
		last, times = what, times+n
	}
	for s := range slices.Chunk(b, 512) {
		if rubbish(s) {
			add("?", len(s))
			continue
		}
		for _, c := range s {
			add(letter[c], 1)
		}
	}
	add("", 0)
	return out
}

// rubbish reports that many different bytes are in a sector.
func rubbish(s []byte) bool {
	different := map[byte]bool{}
	for _, c := range s {
		different[c] = true
	}
	return len(different) > 10
}

// safe is a disk with one file that is safe, of two sectors.
func safe(t *testing.T) *powercut.Disk {
	t.Helper()
	d := did(t, create("/r/f"), write("/r/f", 0, strings.Repeat("a", 1024)))
	sync(t, d, "/r/f", "/r")
	return d
}

// TestCut gives every outcome that there may be, and no other.
func TestCut(t *testing.T) {
	long := strings.Repeat
	for _, tt := range []struct {
		name string
		then func(*testing.T, *powercut.Disk)
		want []string
	}{
		{"all synced", func(*testing.T, *powercut.Disk) {}, []string{"f=a1024"}},
		{"a write is lost or torn", func(t *testing.T, d *powercut.Disk) {
			do(t, d, write("/r/f", 0, long("b", 1024)))
		}, []string{"f=a1024", "f=a512b512", "f=b1024", "f=b512a512"}},
		{"two writes are reordered", func(t *testing.T, d *powercut.Disk) {
			do(t, d, write("/r/f", 0, long("b", 512)), write("/r/f", 512, long("c", 512)))
		}, []string{"f=a1024", "f=a512c512", "f=b512a512", "f=b512c512"}},
		{"a sector has the earlier write where it has the later", func(t *testing.T, d *powercut.Disk) {
			do(t, d, write("/r/f", 0, "b"), write("/r/f", 1, "c"))
		}, []string{"f=a1024", "f=b1a1023", "f=b1c1a1022"}},
		{"what a sync saved stays", func(t *testing.T, d *powercut.Disk) {
			do(t, d, write("/r/f", 0, long("b", 512)))
			sync(t, d, "/r/f")
			do(t, d, write("/r/f", 512, long("c", 512)))
		}, []string{"f=b512a512", "f=b512c512"}},
		{"a write during a sync is not saved by it", func(t *testing.T, d *powercut.Disk) {
			begins, ends := synced("/r/f")
			do(t, d, begins, write("/r/f", 0, long("b", 512)), ends)
		}, []string{"f=a1024", "f=b512a512"}},
		{"nor what a sync that did not return", func(t *testing.T, d *powercut.Disk) {
			begins, _ := synced("/r/f")
			do(t, d, write("/r/f", 0, long("b", 512)), begins)
		}, []string{"f=a1024", "f=b512a512"}},
		{"shortened", func(t *testing.T, d *powercut.Disk) {
			do(t, d, truncate("/r/f", 0))
		}, []string{"f=", "f=0512a512", "f=01024", "f=a1024", "f=a5120512"}},
		{"lengthened: length and data apart, or rubbish", func(t *testing.T, d *powercut.Disk) {
			do(t, d, write("/r/f", 1024, long("b", 512)))
		}, []string{"f=a1024", "f=a10240512", "f=a1024?512", "f=a1024b512"}},
		{"a new file without its name, or without what is in it", func(t *testing.T, d *powercut.Disk) {
			do(t, d, create("/r/g"))
		}, []string{"f=a1024", "f=a1024 g="}},
		{"a file that is synced, but not its name", func(t *testing.T, d *powercut.Disk) {
			do(t, d, create("/r/g"), write("/r/g", 0, "b"))
			sync(t, d, "/r/g")
		}, []string{"f=a1024", "f=a1024 g=b1"}},
		{"a new folder with its file", func(t *testing.T, d *powercut.Disk) {
			do(t, d, powercut.Call{Kind: powercut.Mkdir, Path: "/r/d"}, create("/r/d/g"))
			sync(t, d, "/r/d")
		}, []string{"d/ d/g= f=a1024", "f=a1024"}},
		{"renamed over another", func(t *testing.T, d *powercut.Disk) {
			do(t, d, create("/r/g"), write("/r/g", 0, "b"))
			sync(t, d, "/r", "/r/g")
			do(t, d, powercut.Call{Kind: powercut.Rename, Path: "/r/g", To: "/r/f"})
		}, []string{"f=a1024 g=b1", "f=b1"}},
		{"removed", func(t *testing.T, d *powercut.Disk) {
			do(t, d, powercut.Call{Kind: powercut.Remove, Path: "/r/f"})
		}, []string{"", "f=a1024"}},
		{"syncs that are ignored", func(t *testing.T, d *powercut.Disk) {
			d.Ignore = func(name string) bool { return name == "/r/f" }
			do(t, d, write("/r/f", 0, long("b", 512)))
			sync(t, d, "/r/f")
		}, []string{"f=a1024", "f=b512a512"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := safe(t)
			tt.then(t, d)
			slices.Sort(tt.want)
			if diff := cmp.Diff(tt.want, outcomes(d)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// Whatever is done, a sync of everything leaves one outcome: what the process
// sees.
func TestSyncOfAll(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 100 {
		d := did(t, create("/r/f"))
		var plain []byte
		for range 20 {
			at := rnd.Int64N(3000)
			if rnd.IntN(4) == 0 {
				do(t, d, truncate("/r/f", at))
				plain = append(plain, make([]byte, 3000)...)[:at]
			} else {
				data := bytes.Repeat([]byte{byte(rnd.IntN(256))}, 1+rnd.IntN(1500))
				do(t, d, write("/r/f", at, string(data)))
				for len(plain) < int(at)+len(data) {
					plain = append(plain, 0)
				}
				copy(plain[at:], data)
			}
			_ = d.Cut(rnd.IntN) // changes nothing
		}
		if !bytes.Equal(d.Files()["f"], plain) {
			t.Fatal("the process sees something else than it wrote")
		}
		sync(t, d, "/r", "/r/f")
		if img := d.Cut(rnd.IntN); !bytes.Equal(img.Files["f"], plain) {
			t.Fatal("what was synced is not safe")
		}
	}
}

// What was there before is there whatever happens to something else.
func TestKeep(t *testing.T) {
	d := powercut.NewDisk("/r")
	for _, name := range []string{"/r/d/f", "/r/d/g"} {
		if err := d.Keep(name, []byte(strings.Repeat("a", 512))); err != nil {
			t.Fatal(err)
		}
	}
	do(t, d, write("/r/d/g", 0, strings.Repeat("b", 512)))
	if diff := cmp.Diff([]string{"d/ d/f=a512 d/g=a512", "d/ d/f=a512 d/g=b512"}, outcomes(d)); diff != "" {
		t.Error(diff)
	}
	for _, name := range []string{"/elsewhere", "/r/d/f/h"} {
		if d.Keep(name, nil) == nil {
			t.Errorf("%s is kept", name)
		}
	}
}

func TestDiskRefuses(t *testing.T) {
	d := did(t, powercut.Call{Kind: powercut.Mkdir, Path: "/r/d"}, create("/r/f"))
	for _, c := range []powercut.Call{
		write("/r/g", 0, "x"), write("/r/d", 0, "x"), create("/r/e/f"), create("/elsewhere"),
		{Kind: powercut.Remove, Path: "/r/g"},
		{Kind: powercut.Rename, Path: "/r/f", To: "/r/d/f"},
	} {
		if err := d.Do(c); err == nil {
			t.Errorf("%+v was done", c)
		}
	}
}
