package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"

	"benchvigil/internal/profile"
	"benchvigil/internal/usb"
)

// bus looks at the USB bus and at each port.
func (s System) bus(ctx context.Context, b Bench) []Result {
	if usb.Choose(s.Sysfs, s.OS) == usb.ByScans {
		devices, err := s.Scan(ctx)
		seen := usb.Listed(devices)
		return append([]Result{byScans(err)}, s.ports(b, seen, err)...)
	}
	seen, err := usb.Survey(s.Sysfs)
	if err != nil && b.Problem != nil {
		return []Result{notLooked()}
	}
	out := []Result{sysfs(len(seen), err)}
	if err == nil {
		out = append(out, uevents(s.tryListen()))
	}
	out = append(out, s.ports(b, seen, err)...)
	if err == nil && b.CrossRef {
		devices, scanErr := s.Scan(ctx)
		out = append(out, crossCheck(ports(b.Stations), seen, usb.Listed(devices), scanErr))
	}
	return out
}

// notLooked is said where the configuration, which may name another device
// tree, cannot be read: that the usual one is not there means nothing.
func notLooked() Result {
	return Result{Check: "USB source", Verdict: Unknown, Found: "the configuration, which says where to look, cannot be read"}
}

func (s System) tryListen() error {
	rx, err := s.Listen()
	if err != nil {
		return err
	}
	return rx.Close()
}

func byScans(err error) Result {
	if err != nil {
		return Result{"USB source", Failed, "libusb cannot list the bus: " + err.Error(), "install libusb 1.0 and the driver that it needs, then look again", Hardware}
	}
	return Result{
		"USB source", Attention, "libusb lists the bus once a second: this system has no sysfs, so there is no traffic count",
		"expect alerts of a stall to stand on the current alone; a Linux computer sees more", Other,
	}
}

func sysfs(devices int, err error) Result {
	if err != nil {
		return Result{"USB source", Failed, err.Error(), "load the USB driver, or give a container the /sys of its host", Hardware}
	}
	return Result{Check: "USB source", Verdict: OK, Found: "sysfs is read: " + count(devices, "device") + " on ports"}
}

func uevents(err error) Result {
	if err != nil {
		return Result{
			"USB changes", Attention, "uevents are refused, sysfs is polled ten times a second instead: " + err.Error(),
			"nothing has to be done; a container sees uevents only in the network namespace of its host", Other,
		}
	}
	return Result{Check: "USB changes", Verdict: OK, Found: "kernel uevents arrive by netlink"}
}

func ports(stations []Station) (out []string) {
	for _, st := range stations {
		if st.Port != "" {
			out = append(out, st.Port)
		}
	}
	return out
}

// ports looks at each configured port, and at which share a hub.
func (s System) ports(b Bench, seen map[string]usb.Seen, busErr error) (out []Result) {
	for _, st := range b.Stations {
		if st.Port == "" {
			continue
		}
		check := fmt.Sprintf("port %s (%s)", st.Port, st.ID)
		if busErr != nil {
			out = append(out, Result{Check: check, Verdict: Unknown, Found: "the bus cannot be seen"})
			continue
		}
		device, there := seen[st.Port]
		var missing error
		if !there && s.OS == "linux" {
			missing = usb.FindPort(s.Sysfs, st.Port)
		}
		out = append(out, onPort(check, device, there, missing, st.Profile))
		if there {
			out = append(out, autosuspend(s.Sysfs, st))
		}
	}
	return append(out, sharedHubs(b.Stations)...)
}

// onPort judges what stands on a port.
func onPort(check string, d usb.Seen, there bool, missing error, p *profile.Profile) Result {
	switch {
	case missing != nil:
		return Result{check, Failed, missing.Error(), "write the port that benchvigil enroll finds, or plug the hub in again where it was", Hardware}
	case !there:
		return Result{Check: check, Verdict: OK, Found: "nothing stands there now"}
	case d.Hub:
		return Result{check, Failed, "a hub stands there", "watch one of its ports, such as the one that benchvigil enroll finds", Config}
	}
	if modes := p.Labels(d.ID); len(modes) > 0 {
		return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("%v, %s in profile %s", d.ID, strings.Join(modes, " or "), p.Name)}
	}
	return Result{
		check, Attention, fmt.Sprintf("%v, which profile %s does not know", d.ID, p.Name),
		"look whether the right cable is in that port; if so, choose another profile or add the identity to this one", Other,
	}
}

func autosuspend(root fs.FS, st Station) Result {
	check := fmt.Sprintf("autosuspend %s (%s)", st.Port, st.ID)
	control, seconds, err := usb.Autosuspend(root, st.Port)
	if err != nil {
		return unknown(check, err)
	}
	return suspends(check, control, seconds)
}

func suspends(check, control string, seconds int) Result {
	if control == "auto" && seconds >= 0 {
		return Result{
			check, Attention, fmt.Sprintf("the kernel may suspend the device after %d s without traffic", seconds),
			"write on to power/control of that port, by a udev rule, or boot with usbcore.autosuspend=-1", Other,
		}
	}
	return Result{Check: check, Verdict: OK, Found: "the kernel leaves the device on"}
}

// sharedHubs names stations behind the same external hub.
func sharedHubs(stations []Station) (out []Result) {
	behind := map[string][]string{}
	for _, st := range stations {
		if hub := usb.HubOf(st.Port); st.Port != "" && usb.ValidPort(hub) {
			behind[hub] = append(behind[hub], st.ID)
		}
	}
	for _, hub := range slices.Sorted(maps.Keys(behind)) {
		if ids := behind[hub]; len(ids) > 1 {
			out = append(out, Result{
				"hub " + hub, Attention, strings.Join(ids, ", ") + " share one hub",
				"where you can, give each a port of the computer: a damaged board that hangs its hub hides the others for up to 21 s", Other,
			})
		}
	}
	return out
}

// crossCheck compares the two pictures of the configured ports.
func crossCheck(ports []string, bySysfs, byScan map[string]usb.Seen, err error) Result {
	const check = "libusb"
	if err != nil {
		do := "the watch goes on by sysfs alone; set usb.scan: off to leave libusb out"
		if errors.Is(err, os.ErrPermission) {
			do = "give the user access to /dev/bus/usb; " + do
		}
		return Result{check, Attention, "cannot list the bus: " + err.Error(), do, Other}
	}
	var differ []string
	for _, p := range ports {
		a, b := bySysfs[p], byScan[p]
		if a.ID != b.ID || a.Number != b.Number {
			differ = append(differ, fmt.Sprintf("port %s: sysfs shows %s, libusb lists %s", p, standing(a), standing(b)))
		}
	}
	if len(differ) > 0 {
		return Result{check, Attention, strings.Join(differ, "\n"), "look again in a moment; if it stays so, restart the computer before a long job", Other}
	}
	return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("lists %s and agrees with sysfs on the configured ports", count(len(byScan), "device"))}
}

func standing(d usb.Seen) string {
	if d == (usb.Seen{}) {
		return "nothing"
	}
	return fmt.Sprintf("%v as device %d", d.ID, d.Number)
}
