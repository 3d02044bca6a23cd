package powercut_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/ledger/powercut"
)

// hexed writes text as strace does with -xx.
func hexed(text string) string {
	var b strings.Builder
	for _, c := range []byte(text) {
		fmt.Fprintf(&b, `\x%02x`, c)
	}
	return b.String()
}

// line fills paths and strings into a line: q gives a string in quotes, f a
// path in angles.
func line(format string, args ...string) string {
	var in []any
	for _, a := range args {
		in = append(in, hexed(a))
	}
	return fmt.Sprintf(format, in...)
}

// TestParser reads lines as strace 6.1 wrote them, paths and data replaced.
func TestParser(t *testing.T) {
	for _, tt := range []struct {
		name  string
		lines []string
		want  []powercut.Call
	}{
		{"a file is made and written piece by piece", []string{
			line(`7 openat(AT_FDCWD<%s>, "%s", O_RDWR|O_CREAT|O_TRUNC|O_CLOEXEC, 0600) = 3<%s>`, "/home", "/r/a b", "/r/a b"),
			line(`7 write(3<%s>, "%s", 2) = 2`, "/r/a b", "ab"),
			line(`8 write(3<%s>, "%s", 4) = 3`, "/r/a b", "cdef"),
		}, []powercut.Call{
			{Kind: powercut.Create, Path: "/r/a b"},
			{Kind: powercut.Truncate, Path: "/r/a b"},
			{Kind: powercut.Write, Path: "/r/a b", Data: []byte("ab")},
			{Kind: powercut.Write, Path: "/r/a b", At: 2, Data: []byte("cde")},
		}},
		{"sought", []string{
			line(`7 openat(AT_FDCWD<%s>, "%s", O_RDWR) = 3<%s>`, "/r", "a", "/r/a"),
			line(`7 lseek(3<%s>, 100, SEEK_SET)   = 100`, "/r/a"),
			line(`7 write(3<%s>, "%s", 1) = 1`, "/r/a", "x"),
		}, []powercut.Call{{Kind: powercut.Write, Path: "/r/a", At: 100, Data: []byte("x")}}},
		{"a sync, and a write that comes too late for it", []string{
			line(`7 fdatasync(4<%s> <unfinished ...>`, "/r/a"),
			line(`8 pwrite64(4<%s>, "%s", 2, 4096 <unfinished ...>`, "/r/a", "ab"),
			`7 <... fdatasync resumed>)             = 0`,
			`8 <... pwrite64 resumed>)             = 2`,
			line(`7 fsync(4<%s>)        = 0`, "/r"),
		}, []powercut.Call{
			{Kind: powercut.SyncBegins, Path: "/r/a", By: "7"},
			{Kind: powercut.SyncEnds, Path: "/r/a", By: "7"},
			{Kind: powercut.Write, Path: "/r/a", At: 4096, Data: []byte("ab")},
			{Kind: powercut.SyncBegins, Path: "/r", By: "7"},
			{Kind: powercut.SyncEnds, Path: "/r", By: "7"},
		}},
		{"names", []string{
			line(`7 mkdirat(AT_FDCWD<%s>, "%s", 0700) = 0`, "/", "/r/d"),
			line(`7 mkdir("%s", 0700) = 0`, "/r/e"),
			line(`7 renameat(AT_FDCWD<%s>, "%s", AT_FDCWD<%s>, "%s") = 0`, "/", "/r/a", "/", "/r/b"),
			line(`7 rename("%s", "%s") = 0`, "/r/b", "/r/c"),
			line(`7 unlinkat(AT_FDCWD<%s>, "%s", 0)  = 0`, "/", "/r/c"),
			line(`7 unlink("%s")  = 0`, "/r/d//e"),
			line(`7 ftruncate(5<%s>, 32768) = 0`, "/r/a"),
		}, []powercut.Call{
			{Kind: powercut.Mkdir, Path: "/r/d"},
			{Kind: powercut.Mkdir, Path: "/r/e"},
			{Kind: powercut.Rename, Path: "/r/a", To: "/r/b"},
			{Kind: powercut.Rename, Path: "/r/b", To: "/r/c"},
			{Kind: powercut.Remove, Path: "/r/c"},
			{Kind: powercut.Remove, Path: "/r/d/e"},
			{Kind: powercut.Truncate, Path: "/r/a", At: 32768},
		}},
		{"what is said", []string{line(`7 write(1<%s>, "%s", 3) = 3`, "pipe:[4711]", "s1\n")}, []powercut.Call{{Kind: powercut.Say, Data: []byte("s1\n")}}},
		{"nothing to us", []string{
			line(`7 openat(AT_FDCWD<%s>, "%s", O_RDWR|O_CREAT, 0600) = 3<%s>`, "/", "/other", "/other"),
			line(`7 pwrite64(3<%s>, "%s", 1, 0) = 1`, "/rest/a", "x"),
			line(`7 pwrite64(3<%s>(deleted), "%s", 1, 0) = 1`, "/r/a", "x"),
			line(`7 pwrite64(3<%s>, "%s", 1, 0) = 1`, "/r/a (deleted)", "x"),
			line(`7 unlink("%s") = -1 ENOENT (No such file or directory)`, "/r/a"),
			line(`7 fsync(3<%s>) = ? ERESTARTSYS (To be restarted if SA_RESTART is set)`, "/r/a"),
			line(`7 fallocate(3<%s>, 0, 0, 4096) = 0`, "/other"),
			`7 +++ exited with 0 +++`, ``,
		}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := powercut.Parser{Root: "/r"}
			var got []powercut.Call
			for _, l := range tt.lines {
				calls, err := p.Line(l)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, calls...)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// What the model would not see must not pass.
func TestParserRefuses(t *testing.T) {
	for name, l := range map[string]string{
		"a call that is not known": line(`7 fallocate(3<%s>, 0, 0, 4096) = 0`, "/r/a"),
		"appending":                line(`7 openat(AT_FDCWD<%s>, "%s", O_WRONLY|O_APPEND) = 3<%s>`, "/", "/r/a", "/r/a"),
		"data cut short":           line(`7 pwrite64(3<%s>, "%s"..., 100, 0) = 100`, "/r/a", "x"),
		"more than there is":       line(`7 pwrite64(3<%s>, "%s", 100, 0) = 100`, "/r/a", "x"),
		"no call":                  `7 rubbish`,
		"too few arguments":        `7 rename() = 0`,
		"a name in plain letters":  `7 unlink("/r/a") = 0`,
	} {
		p := powercut.Parser{Root: "/r"}
		if calls, err := p.Line(l); err == nil {
			t.Errorf("%s: read as %+v", name, calls)
		}
	}
}

func FuzzParser(f *testing.F) {
	f.Add(line(`7 fdatasync(4<%s> <unfinished ...>`, "/r/a"), `7 <... fdatasync resumed>) = 0`)
	f.Add(line(`7 pwrite64(4<%s>, "%s", 2, 4096) = 2`, "/r/a", "ab"), line(`7 rename("%s", "%s") = 0`, "/r/b", "/r/c"))
	f.Fuzz(func(t *testing.T, one, two string) {
		p := powercut.Parser{Root: "/r"}
		d := powercut.NewDisk("/r")
		for _, l := range []string{one, two} {
			calls, err := p.Line(l)
			if err != nil {
				continue
			}
			for _, c := range calls {
				if c.At > 1<<20 || c.At < 0 {
					return // the model keeps whole files in memory
				}
				_ = d.Do(c) // of a file that is not there
			}
		}
	})
}
