package checkup

import (
	"io/fs"
	"slices"
	"strings"
)

// readApt reads apt's configuration: the files of the folder in the order of
// their names, then the main file (apt.conf(5)). Keys are in small letters.
func readApt(root fs.FS) (map[string]string, error) {
	names, err := fs.Glob(root, "etc/apt/apt.conf.d/*")
	if err != nil {
		return nil, err
	}
	if _, err := fs.Stat(root, "etc/apt/apt.conf"); err == nil {
		names = append(names, "etc/apt/apt.conf")
	}
	out := map[string]string{}
	for _, name := range names {
		base := name[strings.LastIndexByte(name, '/')+1:]
		if strings.Contains(base, ".") && !strings.HasSuffix(base, ".conf") && base != "apt.conf" {
			continue // apt passes over it too
		}
		text, err := fs.ReadFile(root, name)
		if err != nil {
			return nil, err
		}
		parseApt(string(text), out)
	}
	return out, nil
}

// parseApt reads one file into values: A::B "v"; or A { B "v"; }. What is none
// of that is passed over.
func parseApt(text string, values map[string]string) {
	var scopes []string
	var words []string
	for _, t := range aptTokens(text) {
		switch t {
		case "{":
			scopes = append(scopes, strings.Join(words, ""))
			words = nil
		case "}":
			scopes, words = scopes[:max(0, len(scopes)-1)], nil
		case ";":
			if len(words) >= 2 {
				key := strings.Join(append(slices.Clone(scopes), words[0]), "::")
				values[strings.ToLower(key)] = words[len(words)-1]
			}
			words = nil
		default:
			words = append(words, t)
		}
	}
}

// aptTokens cuts a file into words, quoted ones without their quotes, and
// signs; comments are left out.
func aptTokens(s string) (out []string) {
	for s != "" {
		switch {
		case strings.HasPrefix(s, "//"), s[0] == '#':
			_, s, _ = strings.Cut(s, "\n")
		case strings.HasPrefix(s, "/*"):
			_, s, _ = strings.Cut(s[2:], "*/")
		case strings.IndexByte("{};", s[0]) >= 0:
			out, s = append(out, s[:1]), s[1:]
		case s[0] == '"':
			word, rest, _ := strings.Cut(s[1:], `"`)
			out, s = append(out, word), rest
		case strings.IndexByte(" \t\r\n", s[0]) >= 0:
			s = s[1:]
		default:
			n := strings.IndexAny(s, " \t\r\n{};\"")
			if n < 0 {
				n = len(s)
			}
			out, s = append(out, s[:n]), s[n:]
		}
	}
	return out
}

// truthy reads a switch as apt and unattended-upgrades do: "1", "true", "yes",
// "on", or a number of days.
func truthy(s string) bool {
	switch strings.ToLower(s) {
	case "", "0", "false", "no", "off", "without", "disable":
		return false
	}
	return true
}
