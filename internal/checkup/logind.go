package checkup

import (
	"bufio"
	"cmp"
	"errors"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
)

// logindConf is what systemd-logind does by itself, with its defaults filled in
// (logind.conf(5)).
type logindConf struct {
	lid, lidPower, idle string
	masked              bool // the computer cannot be put to sleep at all
}

// configDirs are searched for the file and its drop-ins, the strongest first.
var configDirs = []string{"etc/systemd", "run/systemd", "usr/local/lib/systemd", "usr/lib/systemd"}

// readLogind reads the main file, of the first folder that has one, then all
// drop-ins in the order of their names; of those with the same name the
// strongest folder's counts (logind.conf(5), "Configuration directories and
// precedence").
func readLogind(root fs.FS) (logindConf, error) {
	dropIns := map[string]string{}
	main := ""
	for _, dir := range slices.Backward(configDirs) {
		if _, err := fs.Stat(root, path.Join(dir, "logind.conf")); err == nil {
			main = path.Join(dir, "logind.conf")
		}
		names, err := fs.Glob(root, path.Join(dir, "logind.conf.d/*.conf"))
		if err != nil {
			return logindConf{}, err
		}
		for _, n := range names {
			dropIns[path.Base(n)] = n
		}
	}
	files := []string{main}
	for _, name := range slices.Sorted(maps.Keys(dropIns)) {
		files = append(files, dropIns[name])
	}
	values := map[string]string{}
	for _, f := range files {
		text, err := fs.ReadFile(root, f)
		if err != nil && f != "" && !errors.Is(err, fs.ErrNotExist) {
			return logindConf{}, err
		}
		maps.Copy(values, parseSection(string(text), "Login"))
	}
	lid := cmp.Or(values["HandleLidSwitch"], "suspend")
	return logindConf{
		lid: lid, lidPower: cmp.Or(values["HandleLidSwitchExternalPower"], lid), idle: cmp.Or(values["IdleAction"], "ignore"),
	}, nil
}

// parseSection reads the keys of one section of a systemd file (systemd.syntax
// (7)): the last one given counts, an empty one takes back.
func parseSection(text, section string) map[string]string {
	out := map[string]string{}
	inside := false
	for lines := bufio.NewScanner(strings.NewReader(text)); lines.Scan(); {
		line := strings.TrimSpace(lines.Text())
		switch {
		case line == "" || line[0] == '#' || line[0] == ';':
		case line[0] == '[':
			inside = line == "["+section+"]"
		case inside:
			if key, value, ok := strings.Cut(line, "="); ok {
				out[strings.TrimSpace(key)] = strings.TrimSpace(value)
			}
		}
	}
	return out
}
