package powercut

import (
	"errors"
	"fmt"
	"path"
	"strconv"
	"strings"
)

// Args are the options by which strace writes what a Parser reads.
func Args() []string {
	// Not every architecture has all of them, which ? allows.
	calls := "trace=?" + strings.Join(traced, ",?")
	return []string{"-f", "-qq", "-y", "-xx", "-s", "16777216", "--seccomp-bpf", "-e", "signal=none", "-e", calls}
}

// traced are all calls that can change a file or a folder without mapping it
// into memory; those that the Parser does not know must not concern the folder.
var traced = []string{
	"open", "openat", "creat", "write", "pwrite64", "lseek", "ftruncate", "truncate", "rename", "renameat", "renameat2",
	"unlink", "unlinkat", "rmdir", "mkdir", "mkdirat", "fsync", "fdatasync",
	"openat2", "writev", "pwritev", "pwritev2", "fallocate", "copy_file_range", "sendfile", "splice", "link", "linkat", "symlink", "symlinkat",
	"mknod", "mknodat",
}

// Parser turns lines of strace into calls. It keeps what concerns Root and what
// lies in it, and what is written to pipes.
type Parser struct {
	Root string // absolute

	begun     map[string]string // the first half of a call, by thread
	positions map[int64]int64   // of files that are written one piece after the other
}

// errUnknown says that the model would not see what happened.
var errUnknown = errors.New("a call that is not known changes the folder")

// Line reads one line. A call counts once it returned, but the beginning of a
// sync when it is called.
func (p *Parser) Line(line string) ([]Call, error) {
	by, text, ok := strings.Cut(strings.TrimRight(line, "\n"), " ")
	text = strings.TrimLeft(text, " ")
	if !ok || strings.HasPrefix(text, "+++") || strings.HasPrefix(text, "---") {
		return nil, nil
	}
	if begun, ok := strings.CutSuffix(text, "<unfinished ...>"); ok {
		if p.begun == nil {
			p.begun = map[string]string{}
		}
		p.begun[by] = strings.TrimRight(begun, " ")
		return p.syncBegins(by, begun), nil
	}
	whole := true
	if rest, ok := strings.CutPrefix(text, "<... "); ok {
		_, rest, ok = strings.Cut(rest, " resumed>")
		if !ok {
			return nil, fmt.Errorf("read a trace: %q is no end of a call", short(text))
		}
		text, whole = p.begun[by]+rest, false
		delete(p.begun, by)
	}
	c, err := parse(text)
	if err != nil || c == nil {
		return nil, err
	}
	calls, err := p.returned(by, c)
	if err != nil {
		return nil, fmt.Errorf("read a trace: %s: %w", short(text), err)
	}
	if whole && len(calls) == 1 && calls[0].Kind == SyncEnds {
		calls = append([]Call{{Kind: SyncBegins, Path: calls[0].Path, By: by}}, calls...)
	}
	return calls, nil
}

// syncBegins gives the beginning of a sync that waits for the disk.
func (p *Parser) syncBegins(by, begun string) []Call {
	name, args, _ := strings.Cut(begun, "(")
	if name != "fsync" && name != "fdatasync" {
		return nil
	}
	file, err := parseFD(strings.TrimRight(args, " )"))
	if err != nil || !p.within(file.path) {
		return nil
	}
	return []Call{{Kind: SyncBegins, Path: file.path, By: by}}
}

// returned is a call that came back without an error.
type returned struct {
	name string
	args []string
	got  string // what it returned
	n    int64  // the same as a number
}

// parse reads a whole call; nil for one that failed.
func parse(text string) (*returned, error) {
	name, rest, ok := strings.Cut(text, "(")
	end := strings.LastIndex(rest, ") ") // the text of an error ends with a bracket, and has none before a space
	_, got, is := strings.Cut(rest[max(end, 0):], "= ")
	if !ok || end < 0 || !is {
		return nil, fmt.Errorf("read a trace: %q is no call", short(text))
	}
	if strings.HasPrefix(got, "-1 ") || strings.HasPrefix(got, "?") {
		return nil, nil
	}
	digits := got
	if i := strings.IndexAny(got, "< "); i >= 0 {
		digits = got[:i]
	}
	n, err := strconv.ParseInt(digits, 0, 64)
	if err != nil {
		return nil, fmt.Errorf("read a trace: what %s returned: %w", name, err)
	}
	return &returned{name: name, args: strings.Split(rest[:end], ", "), got: got, n: n}, nil
}

// wants is how many arguments the calls have that are understood.
var wants = map[string]int{
	"open": 2, "openat": 3, "creat": 2, "write": 3, "pwrite64": 4, "lseek": 3, "ftruncate": 2, "truncate": 2, "rename": 2, "renameat": 4, "renameat2": 5,
	"unlink": 1, "unlinkat": 3, "rmdir": 1, "mkdir": 2, "mkdirat": 3, "fsync": 1, "fdatasync": 1,
}

func (p *Parser) returned(by string, c *returned) ([]Call, error) {
	n, known := wants[c.name]
	switch {
	case !known && strings.Contains(strings.Join(c.args, " "), quote(p.Root)):
		return nil, errUnknown
	case !known:
		return nil, nil
	case len(c.args) < n:
		return nil, fmt.Errorf("%d arguments", len(c.args))
	}
	switch c.name {
	case "write", "pwrite64", "lseek", "ftruncate", "fsync", "fdatasync":
		return p.onFile(by, c)
	default:
		return p.onName(c)
	}
}

// onFile reads calls on an open file.
func (p *Parser) onFile(by string, c *returned) ([]Call, error) {
	f, err := parseFD(c.args[0])
	if err != nil {
		return nil, err
	}
	if c.name == "write" && strings.HasPrefix(f.path, "pipe:") {
		data, err := written(c)
		return []Call{{Kind: Say, Data: data}}, err
	}
	if !p.within(f.path) {
		return nil, nil
	}
	switch c.name {
	case "lseek":
		p.move(f.number, c.n)
		return nil, nil
	case "fsync", "fdatasync":
		return []Call{{Kind: SyncEnds, Path: f.path, By: by}}, nil
	case "ftruncate":
		size, err := strconv.ParseInt(c.args[1], 10, 64)
		return []Call{{Kind: Truncate, Path: f.path, At: size}}, err
	}
	data, err := written(c)
	if err != nil {
		return nil, err
	}
	at := p.positions[f.number]
	if c.name == "pwrite64" {
		at, err = strconv.ParseInt(c.args[3], 10, 64)
	} else {
		p.move(f.number, at+c.n)
	}
	return []Call{{Kind: Write, Path: f.path, At: at, Data: data}}, err
}

// written is what a call wrote, perhaps less than it was asked to.
func written(c *returned) ([]byte, error) {
	data, err := unquote(c.args[1])
	if err != nil {
		return nil, err
	}
	if c.n < 0 || c.n > int64(len(data)) {
		return nil, fmt.Errorf("%d of %d bytes written", c.n, len(data))
	}
	return data[:c.n], nil
}

func (p *Parser) move(file, to int64) {
	if p.positions == nil {
		p.positions = map[int64]int64{}
	}
	p.positions[file] = to
}

// onName reads calls that name what they change.
func (p *Parser) onName(c *returned) ([]Call, error) {
	names, err := namesOf(c)
	if err != nil {
		return nil, err
	}
	if strings.HasPrefix(c.name, "open") || c.name == "creat" {
		return p.opened(c, names[0])
	}
	if !p.within(names[0]) && !p.within(names[len(names)-1]) {
		return nil, nil
	}
	switch c.name {
	case "truncate":
		size, err := strconv.ParseInt(c.args[1], 10, 64)
		return []Call{{Kind: Truncate, Path: names[0], At: size}}, err
	case "mkdir", "mkdirat":
		return []Call{{Kind: Mkdir, Path: names[0]}}, nil
	case "unlink", "unlinkat", "rmdir":
		return []Call{{Kind: Remove, Path: names[0]}}, nil
	}
	return []Call{{Kind: Rename, Path: names[0], To: names[1]}}, nil
}

// namesOf reads the paths of a call, absolute.
func namesOf(c *returned) (names []string, err error) {
	folder := ""
	for _, a := range c.args {
		switch {
		case strings.HasPrefix(a, `"`):
			name, err := unquote(a)
			if err != nil {
				return nil, err
			}
			if full := string(name); path.IsAbs(full) {
				names = append(names, path.Clean(full))
			} else {
				names = append(names, path.Join(folder, full))
			}
		case strings.HasSuffix(a, ">"):
			f, err := parseFD(a)
			if err != nil {
				return nil, err
			}
			folder = f.path
		}
	}
	if want := 1 + strings.Count(c.name, "rename"); len(names) != want {
		return nil, fmt.Errorf("%d names, want %d", len(names), want)
	}
	return names, nil
}

func (p *Parser) opened(c *returned, name string) (calls []Call, err error) {
	p.move(c.n, 0)
	if !p.within(name) {
		return nil, nil
	}
	flags := strings.Join(c.args[1:], " ")
	if strings.Contains(flags, "O_APPEND") || strings.Contains(flags, "O_TMPFILE") {
		return nil, fmt.Errorf("%w: opened by %s", errUnknown, flags)
	}
	if strings.Contains(flags, "O_CREAT") || c.name == "creat" {
		calls = append(calls, Call{Kind: Create, Path: name})
	}
	if strings.Contains(flags, "O_TRUNC") || c.name == "creat" {
		calls = append(calls, Call{Kind: Truncate, Path: name})
	}
	return calls, nil
}

func (p *Parser) within(name string) bool {
	return name == p.Root || strings.HasPrefix(name, p.Root+"/")
}

// fd is an open file; without a path where it was removed.
type fd struct {
	number int64 // -1: the working folder
	path   string
}

// parseFD reads a file as NUMBER<PATH>.
func parseFD(text string) (fd, error) {
	number, rest, _ := strings.Cut(text, "<")
	hexed, after, ok := strings.Cut(rest, ">")
	if !ok {
		return fd{}, fmt.Errorf("%q is no open file", short(text))
	}
	name, err := unhex(hexed)
	if err != nil {
		return fd{}, err
	}
	f := fd{number: -1, path: string(name)}
	if number != "AT_FDCWD" {
		if f.number, err = strconv.ParseInt(number, 10, 64); err != nil {
			return fd{}, fmt.Errorf("%q is no open file", short(text))
		}
	}
	if after != "" || strings.HasSuffix(f.path, " (deleted)") {
		f.path = ""
	}
	return f, nil
}

// unquote reads a string in its quotes. One that strace cut short is refused.
func unquote(text string) ([]byte, error) {
	inner, ok := strings.CutPrefix(text, `"`)
	inner, closed := strings.CutSuffix(inner, `"`)
	if !ok || !closed {
		return nil, fmt.Errorf("%q is no whole string", short(text))
	}
	return unhex(inner)
}

// unhex reads bytes, each as \xNN.
func unhex(text string) ([]byte, error) {
	out := make([]byte, len(text)/4)
	for i := range out {
		b := text[4*i : 4*i+4]
		if b[0] != '\\' || b[1] != 'x' || digits[b[2]] < 0 || digits[b[3]] < 0 {
			return nil, fmt.Errorf("%q is not in the form \\xNN", short(text))
		}
		out[i] = byte(digits[b[2]]<<4 | digits[b[3]])
	}
	if len(text)%4 != 0 {
		return nil, fmt.Errorf("%q is not in the form \\xNN", short(text))
	}
	return out, nil
}

// digits are the values of hexadecimal digits, -1 of all else.
var digits = func() (v [256]int16) {
	for i := range v {
		v[i] = int16(strings.IndexByte("0123456789abcdef", byte(i)))
	}
	return v
}()

// quote is the way back.
func quote(text string) string {
	var b strings.Builder
	for i := range len(text) {
		fmt.Fprintf(&b, `\x%02x`, text[i])
	}
	return b.String()
}

// short is the beginning of what may be very long.
func short(text string) string {
	const most = 120
	if len(text) > most {
		return text[:most] + "…"
	}
	return text
}
