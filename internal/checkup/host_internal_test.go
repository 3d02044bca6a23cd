package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"benchvigil/internal/inhibit"
	"benchvigil/internal/inhibit/inhibittest"
	"benchvigil/internal/supply"
)

// files makes a computer of some files; "-> x" is a link.
func files(of map[string]string) fstest.MapFS {
	out := fstest.MapFS{}
	for name, text := range of {
		f := &fstest.MapFile{Data: []byte(text)}
		if to, ok := strings.CutPrefix(text, "-> "); ok {
			f.Data, f.Mode = []byte(to), fs.ModeSymlink
		}
		out[name] = f
	}
	return out
}

// want compares a result with its verdict and a part of what was found.
func want(t *testing.T, r Result, v Verdict, found string) {
	t.Helper()
	if r.Verdict != v || !strings.Contains(r.Found, found) {
		t.Errorf("%s: %s %q, want %s with %q", r.Check, r.Verdict, r.Found, v, found)
	}
	if (r.Verdict == Attention || r.Verdict == Failed) && r.Do == "" {
		t.Errorf("%s: says nothing about what to do", r.Check)
	}
}

func TestLid(t *testing.T) {
	const lid = "proc/acpi/button/lid/LID0/state"
	for _, tc := range []struct {
		name  string
		files map[string]string
		v     Verdict
		found string
	}{
		{"no lid", map[string]string{booted + "/x": ""}, Unknown, "not found here"},
		{"no systemd", map[string]string{lid: "open"}, Unknown, "not found here"},
		{"default", map[string]string{lid: "open", booted + "/x": ""}, Attention, "suspend"},
		{"commented", map[string]string{lid: "", booted + "/x": "", "etc/systemd/logind.conf": "[Login]\n#HandleLidSwitch=ignore\n"}, Attention, "suspend"},
		{"wrong section", map[string]string{lid: "", booted + "/x": "", "etc/systemd/logind.conf": "[Sleep]\nHandleLidSwitch=ignore\n"}, Attention, "suspend"},
		{"ignored", map[string]string{lid: "", booted + "/x": "", "etc/systemd/logind.conf": "[Login]\nHandleLidSwitch=ignore\n"}, OK, ""},
		{
			"only on the charger",
			map[string]string{lid: "", booted + "/x": "", "etc/systemd/logind.conf": "[Login]\nHandleLidSwitchExternalPower=ignore\n"},
			Attention, "suspend, on external power ignore",
		},
		{
			"a drop-in wins", map[string]string{
				lid: "", booted + "/x": "",
				"etc/systemd/logind.conf":              "[Login]\nHandleLidSwitch=ignore\n",
				"usr/lib/systemd/logind.conf.d/a.conf": "[Login]\nHandleLidSwitch=hibernate\n",
			}, Attention, "hibernate",
		},
		{
			"the stronger of one name, the last of all names", map[string]string{
				lid: "", booted + "/x": "",
				"usr/lib/systemd/logind.conf.d/b.conf": "[Login]\nHandleLidSwitch=hibernate\n",
				"etc/systemd/logind.conf.d/b.conf":     "[Login]\nHandleLidSwitch=ignore\n",
				"etc/systemd/logind.conf.d/a.conf":     "[Login]\nHandleLidSwitch=poweroff\n",
			}, OK, "",
		},
		{"masked", map[string]string{lid: "", booted + "/x": "", "etc/systemd/system/sleep.target": "-> /dev/null"}, OK, ""},
		{"linked elsewhere", map[string]string{lid: "", booted + "/x": "", "etc/systemd/system/sleep.target": "-> /x"}, Attention, "suspend"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			want(t, System{Root: files(tc.files)}.lid(), tc.v, tc.found)
		})
	}
}

func TestIdle(t *testing.T) {
	want(t, System{Root: files(nil)}.idle(), Unknown, "not found here")
	want(t, System{Root: files(map[string]string{booted + "/x": ""})}.idle(), OK, "nothing when idle")
	conf := map[string]string{booted + "/x": "", "etc/systemd/logind.conf": "[Login]\nIdleAction=suspend\n"}
	want(t, System{Root: files(conf)}.idle(), Attention, "IdleAction is suspend")
	conf["etc/systemd/system/suspend.target"] = "-> /dev/null"
	want(t, System{Root: files(conf)}.idle(), OK, "never sleeps")
}

func TestRestarts(t *testing.T) {
	const dir = "etc/apt/apt.conf.d/"
	on := "APT::Periodic::Unattended-Upgrade \"1\";\n"
	for _, tc := range []struct {
		name  string
		files map[string]string
		v     Verdict
		found string
	}{
		{"no apt", nil, Unknown, "not found here"},
		{"nothing set", map[string]string{dir + "01x": ""}, OK, "no unattended updates"},
		{"switched off", map[string]string{dir + "20auto": `APT::Periodic::Unattended-Upgrade "0"; Unattended-Upgrade::Automatic-Reboot "true";`}, OK, "no unattended"},
		{"without restart", map[string]string{dir + "20auto": on, dir + "50u": "//Unattended-Upgrade::Automatic-Reboot \"true\";\n"}, OK, "do not restart"},
		{"with restart", map[string]string{dir + "20auto": on, dir + "50u": `Unattended-Upgrade::Automatic-Reboot "true";`}, Attention, "(at once)"},
		{
			"at night, in braces", map[string]string{
				dir + "20auto": on,
				dir + "50u":    "/* a\n comment */ Unattended-Upgrade { Origins-Pattern { \"o=Debian\"; }; Automatic-Reboot \"true\"; # yes\n Automatic-Reboot-Time \"02:00\"; };",
			}, Attention, "(02:00)",
		},
		{"the last one wins", map[string]string{dir + "20auto": on, dir + "50u": `Unattended-Upgrade::Automatic-Reboot "true";`, dir + "99no": `unattended-upgrade::automatic-reboot "false";`}, OK, "do not restart"},
		{"a backup is passed over", map[string]string{dir + "20auto": on, dir + "50u.bak": `Unattended-Upgrade::Automatic-Reboot "true";`}, OK, "do not restart"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			want(t, System{Root: files(tc.files)}.restarts(), tc.v, tc.found)
		})
	}
}

func TestServices(t *testing.T) {
	const main, more = "etc/needrestart/needrestart.conf", "etc/needrestart/conf.d/a.conf"
	for _, tc := range []struct {
		files map[string]string
		v     Verdict
	}{
		{nil, Unknown},
		{map[string]string{main: "#$nrconf{restart} = 'a';\n"}, OK},
		{map[string]string{main: "$nrconf{restart} = 'a';\n"}, Attention},
		{map[string]string{main: "$nrconf{restart} = 'a';", more: "$nrconf{restart} = \"l\";"}, OK},
		{map[string]string{main: "$nrconf{restart} = 'i';", more: " $nrconf{restart}='a';"}, Attention},
	} {
		want(t, System{Root: files(tc.files)}.services(), tc.v, "")
	}
}

func TestDisk(t *testing.T) {
	ten := []Station{{Supplies: []supply.Options{{}}}, {Supplies: []supply.Options{{Every: 100 * time.Millisecond}}}}
	for _, tc := range []struct {
		free     uint64
		err      error
		stations []Station
		v        Verdict
		found    string
	}{
		{100 << 20, nil, nil, Failed, "0.1 GiB"},
		{10 << 30, nil, nil, OK, "10.0 GiB free"},
		{400 << 20, nil, ten, Attention, "53 hours"},
		{100 << 30, nil, ten, OK, "565 days"},
		{0, errors.ErrUnsupported, ten, Unknown, "not found here"},
		{0, errors.New("stale"), ten, Unknown, "stale"},
		{0, fs.ErrPermission, ten, Unknown, "permission denied"},
	} {
		s := System{Free: func(string) (uint64, error) { return tc.free, tc.err }}
		want(t, s.disk("/data", tc.stations), tc.v, tc.found)
	}
}

func TestClock(t *testing.T) {
	for _, tc := range []struct {
		c     Clock
		err   error
		v     Verdict
		found string
	}{
		{Clock{true, 12_345 * time.Microsecond}, nil, OK, "12ms"},
		{Clock{}, nil, Attention, "not synchronised"},
		{Clock{}, fmt.Errorf("ask: %w", errors.ErrUnsupported), Unknown, "not found here"},
	} {
		want(t, System{Clock: func() (Clock, error) { return tc.c, tc.err }}.clock(), tc.v, tc.found)
	}
}

func TestAwake(t *testing.T) {
	var system inhibittest.System
	s := System{Hold: system.Hold}
	want(t, s.awake(t.Context(), Bench{}), Attention, "inhibit_sleep is false")
	if asked, _, _ := system.Counts(); asked != 0 {
		t.Error("asked for a lock that is not wanted")
	}
	want(t, s.awake(t.Context(), Bench{Awake: true}), Attention, "everything") // the fake does not say sleep
	if _, given, held := system.Counts(); given != 1 || held != 0 {
		t.Errorf("given %d, held %d: the lock was not given back", given, held)
	}
	system.Refuse(fmt.Errorf("ask systemd-logind: %w", fs.ErrNotExist))
	want(t, s.awake(t.Context(), Bench{Awake: true}), Unknown, "systemd-logind not found here")
	system.Refuse(errors.New("Permission denied"))
	want(t, s.awake(t.Context(), Bench{Awake: true}), Attention, "Permission denied")
	want(t, locked("x", "sleep, idle", nil), OK, "sleep, idle")
	want(t, s.awake(t.Context(), Bench{Awake: true, Held: "sleep, idle"}), OK, "sleep, idle")
	want(t, s.awake(t.Context(), Bench{Awake: true, Refused: "no polkit"}), Attention, "the benchvigil that runs is refused: no polkit")
}

// What root may do says nothing about the service.
func TestAwakeForTheService(t *testing.T) {
	s := System{ForService: true, Hold: func(context.Context, string) (inhibit.Lock, error) { return sleeps{}, nil }}
	for _, tc := range []struct {
		files map[string]string
		v     Verdict
		found string
	}{
		{nil, Attention, "the service is refused: there is no polkit"},
		{map[string]string{polkit: ""}, Attention, "the polkit rule is missing"},
		{map[string]string{polkit: "", polkitRule: ""}, OK, "tried as root; a polkit rule lets the service too"},
	} {
		s.Root = files(tc.files)
		want(t, s.awake(t.Context(), Bench{Awake: true}), tc.v, tc.found)
	}
}

// sleeps is a lock that keeps off sleep.
type sleeps struct{}

func (sleeps) String() string { return "sleep, idle" }
func (sleeps) Close() error   { return nil }

// The kernel of this computer answers.
func TestRealSystem(t *testing.T) {
	if c, err := KernelClock(); err != nil && !errors.Is(err, errors.ErrUnsupported) {
		t.Errorf("clock: %v", err)
	} else if err == nil && c.MaxError < 0 {
		t.Errorf("clock %+v", c)
	}
	free, err := FreeSpace(t.TempDir())
	if err != nil && !errors.Is(err, errors.ErrUnsupported) || err == nil && free == 0 {
		t.Errorf("free %d, %v", free, err)
	}
	if _, err := FreeSpace(t.TempDir() + "/none"); err == nil {
		t.Error("no error about a folder that is not there")
	}
}

func FuzzParseApt(f *testing.F) {
	for _, s := range []string{"A \"b\";", "A::B { C \"1\"; }; // x\n", "/* # { \"", "}};;{\"\"\"", "#clear A;"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		values := map[string]string{}
		parseApt(text, values)
		for k := range values {
			if k != strings.ToLower(k) {
				t.Errorf("key %q is not in small letters", k)
			}
		}
	})
}

func FuzzParseSection(f *testing.F) {
	for _, s := range []string{"[Login]\nA=b\n", "[Login\nA=b", "=\n[Login]\n=", "[Login]\n# A=b\n;A=c\nA = d "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for k, v := range parseSection(text, "Login") {
			if strings.TrimSpace(k) != k || strings.TrimSpace(v) != v {
				t.Errorf("%q = %q has space at its ends", k, v)
			}
		}
	})
}
