package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"strings"
	"time"

	"benchvigil/internal/supply"
)

// host looks at what the computer may do during a long job.
func (s System) host(ctx context.Context, b Bench) []Result {
	var out []Result
	for _, folder := range b.Folders {
		out = append(out, s.disk(folder, b.Stations))
	}
	return append(out,
		s.clock(),
		s.awake(ctx, b),
		s.lid(),
		s.idle(),
		s.restarts(),
		s.services(),
	)
}

// Space that a record may need: below least it will soon not be written.
const (
	least    = 256 << 20 // bytes
	longJob  = 72 * time.Hour
	perEntry = 110 // bytes of a reading in a recording, from recordings of the simulated bench
)

func (s System) disk(folder string, stations []Station) Result {
	check := "disk (" + folder + ")"
	free, err := s.Free(folder)
	if err != nil {
		r := unknown(check, err)
		if errors.Is(err, fs.ErrPermission) {
			r.Do = "look with sudo, or name by --data a folder on that disk"
		}
		return r
	}
	return space(check, free, perSecond(stations))
}

// perSecond is how many bytes a second all readings take in a recording.
func perSecond(stations []Station) (n float64) {
	for _, st := range stations {
		for _, o := range st.Supplies {
			every := o.Every
			if every == 0 {
				every = supply.DefaultEvery
			}
			n += perEntry / every.Seconds()
		}
	}
	return n
}

func space(check string, free uint64, rate float64) Result {
	found := fmt.Sprintf("%.1f GiB free", float64(free)/(1<<30))
	const do = "make room, or record to another disk"
	if free < least {
		return Result{check, Failed, found, do, Other}
	}
	if rate == 0 {
		return Result{Check: check, Verdict: OK, Found: found}
	}
	hours := float64(free) / rate / time.Hour.Seconds()
	if hours < longJob.Hours() {
		return Result{check, Attention, fmt.Sprintf("%s, enough for %.0f hours of readings", found, hours), do, Other}
	}
	return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("%s, enough for %.0f days of readings", found, hours/24)}
}

// Clock is what the kernel knows of its clock.
type Clock struct {
	Synchronised bool
	MaxError     time.Duration // what the clock may be off by
}

func (s System) clock() Result {
	const check = "clock"
	c, err := s.Clock()
	if err != nil {
		return unknown(check, err)
	}
	if !c.Synchronised {
		return Result{
			check, Attention, "not synchronised: it may be stepped in the middle of a run, and records of two computers do not agree",
			"switch time synchronisation on: timedatectl set-ntp true", Other,
		}
	}
	return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("synchronised, off by at most %v", c.MaxError.Round(time.Millisecond))}
}

// awake says what a running watch got, or tries the lock that a run would take
// and gives it back.
func (s System) awake(ctx context.Context, b Bench) Result {
	const check = "kept awake"
	if !b.Awake {
		return Result{check, Attention, "inhibit_sleep is false: nothing keeps the computer awake during a run", "set inhibit_sleep: true", Other}
	}
	switch {
	case b.Refused != "":
		return locked(check, "", errors.New("the benchvigil that runs is refused: "+b.Refused))
	case b.Held != "":
		return locked(check, b.Held, nil)
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	held, err := s.Hold(ctx, "benchvigil check tries whether it may")
	if err != nil {
		return locked(check, "", err)
	}
	r := locked(check, held.String(), held.Close())
	if r.Verdict == OK && s.ForService {
		return asService(r, there(s.Root, polkit), there(s.Root, polkitRule))
	}
	return r
}

// What lets a service that is not root take the lock.
const (
	polkit     = "usr/share/dbus-1/system-services/org.freedesktop.PolicyKit1.service"
	polkitRule = "usr/share/polkit-1/rules.d/50-benchvigil.rules"
)

func there(root fs.FS, name string) bool {
	_, err := fs.Stat(root, name)
	return err == nil
}

// asService says what the service would get where root got the lock.
func asService(r Result, polkit, rule bool) Result {
	const refused = "root may keep off sleep, but the service is refused: "
	switch {
	case !polkit:
		return Result{r.Check, Attention, refused + "there is no polkit", "install polkitd", Other}
	case !rule:
		return Result{r.Check, Attention, refused + "the polkit rule is missing", "put 50-benchvigil.rules into /usr/share/polkit-1/rules.d", Other}
	}
	r.Found += " (tried as root; a polkit rule lets the service too)"
	return r
}

// locked judges what a lock of logind keeps off.
func locked(check, what string, err error) Result {
	switch {
	case err != nil && (errors.Is(err, fs.ErrNotExist) || errors.Is(err, errors.ErrUnsupported)):
		return Result{check, Unknown, "systemd-logind " + errNotHere.Error(), "set the computer never to sleep while boards are on the bench", Other}
	case err != nil:
		return Result{check, Attention, err.Error(), "set the computer never to sleep, or allow the user to take the lock by a polkit rule", Other}
	case !strings.Contains(what, "sleep"):
		return Result{check, Attention, "a run keeps off only: " + what, "a sleep that somebody asks for still comes: mask sleep.target, or allow the lock by a polkit rule", Other}
	}
	return Result{Check: check, Verdict: OK, Found: "a run keeps off: " + what}
}

// booted is there where systemd runs the computer (sd_booted(3)).
const booted = "run/systemd/system"

// masked reports whether a unit is linked to nothing, so that it never starts.
func masked(root fs.FS, unit string) bool {
	for _, dir := range []string{"etc/systemd/system", "run/systemd/system"} {
		if to, err := fs.ReadLink(root, path.Join(dir, unit)); err == nil && to == "/dev/null" {
			return true
		}
	}
	return false
}

// logind reads what systemd-logind does by itself.
func (s System) logind() (logindConf, error) {
	if _, err := fs.Stat(s.Root, booted); err != nil {
		return logindConf{}, err
	}
	c, err := readLogind(s.Root)
	c.masked = masked(s.Root, "sleep.target") || masked(s.Root, "suspend.target")
	return c, err
}

func (s System) lid() Result {
	const check = "lid"
	lids, err := fs.Glob(s.Root, "proc/acpi/button/lid/*")
	if err != nil || len(lids) == 0 {
		return unknown(check, errNotHere)
	}
	c, err := s.logind()
	if err != nil {
		return unknown(check, err)
	}
	return closes(check, c)
}

// closes judges what closing the lid does.
func closes(check string, c logindConf) Result {
	if c.masked || harmless(c.lid) && harmless(c.lidPower) {
		return Result{Check: check, Verdict: OK, Found: "closing it does not put the computer to sleep"}
	}
	return Result{
		check, Attention, fmt.Sprintf("closing it means %s, on external power %s", c.lid, c.lidPower),
		"leave it open, or set HandleLidSwitch=ignore in a file below /etc/systemd/logind.conf.d and restart the computer", Other,
	}
}

func (s System) idle() Result {
	const check = "sleep when idle"
	c, err := s.logind()
	if err != nil {
		return unknown(check, err)
	}
	return idles(check, c)
}

func idles(check string, c logindConf) Result {
	switch {
	case c.masked:
		return Result{Check: check, Verdict: OK, Found: "sleep.target is masked: this computer never sleeps"}
	case harmless(c.idle):
		return Result{Check: check, Verdict: OK, Found: "systemd-logind does nothing when idle (a desktop may have settings of its own)"}
	}
	return Result{
		check, Attention, fmt.Sprintf("IdleAction is %s", c.idle),
		"set IdleAction=ignore in a file below /etc/systemd/logind.conf.d, or mask it: systemctl mask sleep.target", Other,
	}
}

// harmless are the actions that leave the computer running.
func harmless(action string) bool { return action == "ignore" || action == "lock" }

// restarts looks whether updates restart the computer.
func (s System) restarts() Result {
	const check = "automatic restart"
	if _, err := fs.Stat(s.Root, "etc/apt/apt.conf.d"); err != nil {
		return unknown(check, err)
	}
	values, err := readApt(s.Root)
	if err != nil {
		return unknown(check, err)
	}
	return reboots(check, values)
}

func reboots(check string, apt map[string]string) Result {
	automatic := truthy(apt["apt::periodic::unattended-upgrade"])
	switch {
	case automatic && truthy(apt["unattended-upgrade::automatic-reboot"]):
		when := apt["unattended-upgrade::automatic-reboot-time"]
		if when == "" {
			when = "at once"
		}
		return Result{
			check, Attention, "unattended updates restart the computer by themselves (" + when + ")",
			`write Unattended-Upgrade::Automatic-Reboot "false"; into a file below /etc/apt/apt.conf.d that sorts last`, Other,
		}
	case automatic:
		return Result{Check: check, Verdict: OK, Found: "unattended updates are on, and do not restart the computer"}
	}
	return Result{Check: check, Verdict: OK, Found: "no unattended updates"}
}

// needrestartMode finds the last setting that is not a comment.
var needrestartMode = regexp.MustCompile(`(?m)^[ \t]*\$nrconf\{restart\}[ \t]*=[ \t]*['"]([ail])['"]`)

// services looks whether updates restart services, this one among them.
func (s System) services() Result {
	const check = "restart of services"
	text, err := fs.ReadFile(s.Root, "etc/needrestart/needrestart.conf")
	if err != nil {
		return unknown(check, err)
	}
	more, err := fs.Glob(s.Root, "etc/needrestart/conf.d/*.conf")
	if err != nil {
		return unknown(check, err)
	}
	for _, name := range more {
		b, err := fs.ReadFile(s.Root, name)
		if err != nil {
			return unknown(check, err)
		}
		text = append(append(text, '\n'), b...)
	}
	return needrestart(check, string(text))
}

func needrestart(check, conf string) Result {
	mode := ""
	if all := needrestartMode.FindAllStringSubmatch(conf, -1); len(all) > 0 {
		mode = all[len(all)-1][1]
	}
	if mode == "a" {
		return Result{
			check, Attention, "needrestart restarts services after updates by itself, benchvigil among them",
			`write $nrconf{restart} = 'l'; into a file below /etc/needrestart/conf.d`, Other,
		}
	}
	return Result{Check: check, Verdict: OK, Found: "needrestart asks, or only lists"}
}
