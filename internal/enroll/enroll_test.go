package enroll_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/enroll"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/supply"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

const family = `name: %
modes: {running: {usb: ["1209:0004"], amps: [0.1, 1]}}
`

// rig is a computer with a bus, a folder and an instrument.
type rig struct {
	t    *testing.T
	dir  string
	tree *usbtest.Tree
	opts enroll.Options
	out  bytes.Buffer
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir(), tree: usbtest.NewTree()}
	r.tree.Plug("1-2", usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: 4}, Devnum: 5})
	r.tree.Set(usbtest.Attribute("usb1", "maxchild"), "8\n")
	r.opts = enroll.Options{
		File: filepath.Join(r.dir, "config.yaml"), Out: &r.out, In: strings.NewReader(""),
		Root: fstest.MapFS{}, Sysfs: func(string) fs.FS { return r.tree },
		Look:  func(_ context.Context, sysfs fs.FS) (map[string]usb.Seen, error) { return usb.Survey(sysfs) },
		Env:   func(string) string { return "" },
		Kinds: fstest.MapFS{"handset.yaml": {Data: []byte(strings.Replace(family, "%", "handset", 1))}},
		Live:  100 * time.Millisecond,
	}
	return r
}

func (r *rig) write(text string) {
	r.t.Helper()
	if err := os.WriteFile(r.opts.File, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) read(name string) string {
	r.t.Helper()
	b, err := os.ReadFile(filepath.Join(r.dir, name))
	if err != nil {
		r.t.Fatal(err)
	}
	return string(b)
}

// run enrolls with lines typed, and wants the output to say all of this.
func (r *rig) run(typed string, says ...string) error {
	r.t.Helper()
	r.opts.In = strings.NewReader(typed)
	r.out.Reset()
	err := enroll.Run(r.t.Context(), r.opts)
	for _, s := range says {
		if !strings.Contains(r.out.String(), s) {
			r.t.Errorf("does not say %q but:\n%s", s, r.out.String())
		}
	}
	return err
}

func instrument(t *testing.T) (address string) {
	t.Helper()
	srv, err := scpi.Listen("127.0.0.1:0", scpi.Options{
		IDN:  "Invented,PS,1,2",
		Read: func() scpi.Reading { return scpi.Reading{Volts: 3_801_000, Amps: 412_000, Output: true} },
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
	})
	return "tcp://" + srv.Addr()
}

// A whole conversation: a new file, the cable, the instrument, readings.
func TestConversation(t *testing.T) {
	r := newRig(t)
	address := instrument(t)
	time.AfterFunc(300*time.Millisecond, func() { r.tree.Unplug("1-2") })
	time.AfterFunc(600*time.Millisecond, func() {
		r.tree.Plug("1-2", usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: 4}, Devnum: 6})
	})
	typed := strings.Join([]string{"north", "Left One", "left-1", "Left, port 1", "nonsense://", address, "", "?", "no", "?", "y"}, "\n")
	err := r.run(typed,
		"There is no", "shipped profiles were put into",
		`"Left One" must be`, "Unplug the cable", "Port 1-2 went empty", "Port 1-2. There stands a device in running (1209:0004).",
		"nonsense", "says that it is: Invented,PS,1,2", `It answers "MEAS:VOLT?;CURR?": 3.801000;0.412000`,
		"1209:0004 is known in: handset", "y if the board also draws current", "3.801 V, 412 mA", "keeps the file before as .bak", "Written.")
	if err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(r.opts.File)
	if err != nil {
		t.Fatal(err)
	}
	st := c.Stations[0]
	a, ok := st.Supply.Get()
	if c.Bench != "north" || st.ID != "left-1" || st.Name != "Left, port 1" || st.Port != "1-2" || st.Profile.Name != "handset" || !ok || a.Address != address {
		t.Errorf("written %+v", c)
	}
}

const mine = `# my bench
bench: north
stations:
  # the first
  - id: a   # here
    port: 1-1
    profile: handset
`

// By flags alone, into a file that is there: comments stay, the old file is
// kept, and a second time changes only the station's own lines.
func TestFlags(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	r.opts.Station, r.opts.Port, r.opts.Supply, r.opts.Profile, r.opts.Yes = "b", "1-2", enroll.None, "handset", true
	if err := r.run("", "Stations of", "Port 1-2. There stands a device in running (1209:0004).", "No supply"); err != nil {
		t.Fatal(err)
	}
	want := mine + "  - id: b\n    port: 1-2\n    profile: handset\n"
	if got := r.read("config.yaml"); got != want {
		t.Errorf("written:\n%s\nwant:\n%s", got, want)
	}
	if got := r.read("config.yaml.bak"); got != mine {
		t.Errorf("kept:\n%s", got)
	}
	if info, err := os.Stat(r.opts.File); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file's mode is now %v, %v", info.Mode(), err)
	}
	r.opts.Port = "1-7"
	if err := r.run("", "b is there already", "Nothing stands there now"); err != nil {
		t.Fatal(err)
	}
	if got := r.read("config.yaml"); got != strings.Replace(want, "1-2", "1-7", 1) {
		t.Errorf("changed to:\n%s", got)
	}
	left, err := filepath.Glob(filepath.Join(r.dir, ".config*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// Two questions where one is not understood, and nothing that could act.
func TestFindsTheQuery(t *testing.T) {
	for _, tc := range []struct {
		name    string
		answers map[string]string
		wants   string
	}{
		{"one question", map[string]string{"MEAS:VOLT?;CURR?": "1;2"}, "query: MEAS:VOLT?;CURR?"},
		{"from the root", map[string]string{"MEAS:VOLT?;CURR?": "1", "MEAS:VOLT?;:MEAS:CURR?": "1;2"}, "query: MEAS:VOLT?;:MEAS:CURR?"},
		{"two questions", map[string]string{"MEAS:VOLT?": "1.0", "MEAS:CURR?": "+2E-1"}, "volts_query: MEAS:VOLT?\n      amps_query: MEAS:CURR?"},
		{"words", map[string]string{"MEAS:VOLT?;CURR?": "hello;you"}, ""},
		{"not a number", map[string]string{"MEAS:VOLT?;CURR?": "9.91E37;9.91E37"}, ""},
		{"silence", nil, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t)
			var asked []string
			r.opts.Ask = func(_ context.Context, _, q string, _ time.Duration) (string, error) {
				asked = append(asked, q)
				if a, ok := tc.answers[q]; ok {
					return a, nil
				}
				return "", &supply.AskError{Kind: supply.Silent, What: "no answer to " + q, Err: os.ErrDeadlineExceeded}
			}
			// The readings come from an instrument that answers all of it.
			r.opts.Station, r.opts.Port, r.opts.Supply, r.opts.Profile, r.opts.Yes = "b", enroll.None, instrument(t), "handset", true
			err := r.run("")
			for _, q := range asked {
				if !strings.HasSuffix(q, "?") || strings.Contains(strings.ReplaceAll(q, "MEAS:", ""), "SET") {
					t.Errorf("asked %q", q)
				}
			}
			if tc.wants == "" {
				if !errors.Is(err, enroll.ErrNotThere) || !strings.Contains(err.Error(), "answers no measuring query") {
					t.Errorf("got %v, want that nothing is answered", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := r.read("config.yaml"); !strings.Contains(got, tc.wants) {
				t.Errorf("written:\n%s\nwant %q", got, tc.wants)
			}
		})
	}
}

// Whatever goes wrong, the file stays as it was, and the error says which kind
// it is and what to do.
func TestRefusals(t *testing.T) {
	for _, tc := range []struct {
		name   string
		file   string
		change func(r *rig)
		kind   error
		says   string
	}{
		{"nobody answers", mine, func(r *rig) { r.opts.Yes = false; r.opts.Station = "" }, enroll.ErrNoAnswer, "--station"},
		{"nowhere to write", mine, func(r *rig) { r.opts.File = filepath.Join(r.opts.File, "x", "config.yaml") }, enroll.ErrFile, "could not be written"},
		{"a wrong file", "bench: north\nstations: [\n", nil, enroll.ErrFile, "config.yaml"},
		{"a file with a mistake", strings.Replace(mine, "1-1", "x", 1), nil, enroll.ErrFile, "config.yaml:6: stations[0].port"},
		{"brackets", "bench: north\nstations: [{id: a, profile: handset, port: 1-1}]\n", nil, enroll.ErrFile, "brackets"},
		{"a port that is taken", mine, func(r *rig) { r.opts.Port = "1-1" }, enroll.ErrNoAnswer, "already the port of station a"},
		{"no port path", mine, func(r *rig) { r.opts.Port = "left" }, enroll.ErrNoAnswer, "like 1-2.3"},
		{"a hub", mine, func(r *rig) { r.tree.Set(usbtest.Attribute("1-2", "bDeviceClass"), "09\n") }, enroll.ErrNoAnswer, "a hub stands"},
		{"an unknown profile", mine, func(r *rig) { r.opts.Profile = "phone" }, enroll.ErrNoAnswer, "there are handset"},
		{"a bad name", mine, func(r *rig) { r.opts.Station = "B 1" }, enroll.ErrNoAnswer, "small letters"},
		{"nobody at the address", mine, func(r *rig) { r.opts.Supply = "127.0.0.1:1" }, enroll.ErrNotThere, "switched on"},
		{"no address", mine, func(r *rig) { r.opts.Supply = "pigeon://x" }, enroll.ErrNoAnswer, "pigeon"},
		{"no cable", mine, func(r *rig) { r.opts.Port, r.opts.Patience = "", 200*time.Millisecond; r.answers("n") }, enroll.ErrNotThere, "no port was found"},
		{"no bus", mine, func(r *rig) { r.opts.Port = ""; r.tree.Remove("bus"); r.answers("n") }, enroll.ErrNotThere, "no port was found"},
		{"vbus by no port", mine, func(r *rig) { r.opts.Port, r.opts.Name = enroll.None, " x" }, enroll.ErrFile, "does not fit"},
		{"no such port", mine, func(r *rig) { r.opts.Port = "1-9" }, enroll.ErrNotThere, "there is no port 1-9: the hub usb1 has ports 1 to 8"},
		{"no port, and nobody to plug", mine, func(r *rig) { r.opts.Port = ""; r.tree.Unplug("1-2") }, enroll.ErrNoAnswer, "give the port by --port, or --port none"},
		{"no port, and an input at its end", mine, func(r *rig) { r.opts.Port = ""; r.answers() }, enroll.ErrNoAnswer, "give the port by --port, or --port none"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig(t)
			r.write(tc.file)
			r.opts.Station, r.opts.Port, r.opts.Supply, r.opts.Profile, r.opts.Yes = "b", "1-2", enroll.None, "handset", true
			if tc.change != nil {
				tc.change(r)
			}
			err := enroll.Run(t.Context(), r.opts)
			if !errors.Is(err, tc.kind) || !strings.Contains(err.Error(), tc.says) {
				t.Errorf("got %v, want %v with %q", err, tc.kind, tc.says)
			}
			if got := r.read("config.yaml"); got != tc.file {
				t.Errorf("the file became:\n%s", got)
			}
		})
	}
}

// The cable of another station is told and waited on; the first that is free is
// taken.
func TestCableOfAnotherStation(t *testing.T) {
	r := newRig(t)
	r.write(strings.Replace(mine, "1-1", "1-2", 1))
	r.opts.Station, r.opts.Name, r.opts.Supply, r.opts.Profile = "b", "B", enroll.None, "handset"
	board := func(devnum int) usbtest.Device {
		return usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: 0xabc}, Devnum: devnum}
	}
	time.AfterFunc(200*time.Millisecond, func() { r.tree.Unplug("1-2") })
	time.AfterFunc(500*time.Millisecond, func() { r.tree.Plug("1-2", board(6)) })
	time.AfterFunc(2500*time.Millisecond, func() { r.tree.Plug("1-4", board(7)) })
	err := r.run("y\n",
		"Port 1-2 went empty: that is the port of station a.",
		"port 1-2 is already the port of station a: enroll that one, or give it another port first; the cable of b is still waited for",
		"Port 1-4. There stands a device that no profile knows (1209:0abc).")
	if err != nil {
		t.Fatal(err)
	}
	if got := r.read("config.yaml"); !strings.Contains(got, "port: 1-4") {
		t.Errorf("written:\n%s", got)
	}
}

// linked is a tree with an instrument on port 1-5.
type linked struct{ *usbtest.Tree }

func (l linked) Lstat(name string) (fs.FileInfo, error) { return l.Stat(name) }

func (linked) ReadLink(name string) (string, error) {
	if name != "class/usbmisc/usbtmc0" {
		return "", fs.ErrNotExist
	}
	return "../../devices/pci0000:00/0000:00:14.0/usb1/1-5/1-5:1.0/usbmisc/usbtmc0", nil
}

// Where nobody plugs a cable, the only device that can be meant is: neither
// another station's nor an instrument.
func TestTheOnlyPort(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	plug := func(port string, devnum int) {
		r.tree.Plug(port, usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: 4}, Devnum: devnum})
	}
	plug("1-1", 3)
	plug("1-5", 7)
	r.opts.Sysfs = func(string) fs.FS { return linked{r.tree} }
	r.opts.Root = fstest.MapFS{"dev/usbtmc0": {}}
	r.opts.Station, r.opts.Supply, r.opts.Profile, r.opts.Yes = "b", enroll.None, "handset", true
	if err := r.run("", "Port 1-2. There stands"); err != nil {
		t.Fatal(err)
	}
	plug("1-3", 8)
	if err := r.run("", "b is there already", "Port 1-2. There stands", "Nothing changes."); err != nil {
		t.Errorf("a station that has a port: %v", err)
	}
	plug("1-4", 9)
	r.opts.Station = "c"
	if err := r.run(""); !errors.Is(err, enroll.ErrNoAnswer) || !strings.Contains(err.Error(), "devices stand on 1-3, 1-4") {
		t.Errorf("two that can be meant: %v", err)
	}
}

// With the supply given, what a person alone knows is asked all the same,
// unless it is given too.
func TestAsksForBusPower(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	r.opts.Station, r.opts.Name, r.opts.Port, r.opts.Supply, r.opts.Profile = "b", "B", "1-2", instrument(t), "handset"
	if err := r.run("y\ny\n", "Does USB bus power feed the board too"); err != nil {
		t.Fatal(err)
	}
	if got := r.read("config.yaml"); !strings.Contains(got, "vbus: true") {
		t.Errorf("written:\n%s", got)
	}
	r.opts.Station, r.opts.Port, r.opts.Supply, r.opts.VBUSGiven = "c", "1-3", instrument(t), true
	if err := r.run("y\n"); err != nil || strings.Contains(r.out.String(), "bus power") {
		t.Errorf("%v:\n%s", err, r.out.String())
	}
}

// answers makes the rig ask, of somebody who has these lines to say.
func (r *rig) answers(lines ...string) {
	r.opts.Yes, r.opts.Name = false, "B"
	r.opts.In = strings.NewReader(strings.Join(lines, "\n"))
}

// Who declines, or changes nothing, finds the file as it was, and no error.
func TestNothingWritten(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	r.opts.Station, r.opts.Name, r.opts.Port, r.opts.Supply, r.opts.Profile = "b", "B", enroll.None, enroll.None, "handset"
	if err := r.run("n\n", "Neither port nor supply: nothing is measured here, only your marks count.", "Nothing was written but the shipped profiles."); err != nil {
		t.Error(err)
	}
	if err := r.run("n\n", "Nothing was written."); err != nil {
		t.Error(err)
	}
	r.opts.Station, r.opts.Name, r.opts.Port = "a", "", "1-1"
	if err := r.run("", "a is there already", "Nothing changes."); err != nil {
		t.Error(err)
	}
	if got := r.read("config.yaml"); got != mine {
		t.Errorf("the file became:\n%s", got)
	}
}

// A person who mistypes is asked again and may give up the supply.
func TestAsksAgain(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	r.opts.Station, r.opts.Port = "b", "1-2"
	r.opts.Root = fstest.MapFS{"dev/usbtmc0": {}}
	r.opts.Ask = func(_ context.Context, address, _ string, _ time.Duration) (string, error) {
		if address == "usbtmc:///dev/usbtmc0" {
			return "Invented\x1b,TMC", nil
		}
		return "", &supply.AskError{Kind: supply.Unreachable, What: "no connection", Err: fs.ErrPermission}
	}
	err := r.run("B\n127.0.0.1:1\nnone\nphone\nhandset\nperhaps\ny\n",
		"/dev/usbtmc0  Invented?,TMC", "127.0.0.1:1: no connection", "dialout", `unknown profile "phone"`, `"perhaps": y or n`, "Written.")
	if err != nil {
		t.Fatal(err)
	}
}

func TestEndsWithItsContext(t *testing.T) {
	r := newRig(t)
	r.write(mine)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	pipe, hold, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = errors.Join(hold.Close(), pipe.Close()) }()
	r.opts.In = pipe
	err = enroll.Run(ctx, r.opts)
	if !errors.Is(err, context.Canceled) || !strings.HasPrefix(err.Error(), "ended; nothing was written") {
		t.Errorf("got %v, want the end of the context", err)
	}
}
