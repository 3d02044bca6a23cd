package scpi

import "strings"

// node is one keyword of a header: its short form is what is upper case in it.
// An optional node may be left out.
type node struct {
	short, long string
	optional    bool
}

// keywords makes nodes from SCPI's notation, "MEASure[:SCALar]:VOLTage[:DC]".
func keywords(notation string) []node {
	var out []node
	notation = strings.TrimPrefix(strings.ReplaceAll(notation, "[:", ":["), ":")
	for part := range strings.SplitSeq(notation, ":") {
		name, optional := strings.CutPrefix(part, "[")
		name = strings.TrimSuffix(name, "]")
		short := strings.TrimRight(name, "abcdefghijklmnopqrstuvwxyz")
		out = append(out, node{short: short, long: strings.ToUpper(name), optional: optional})
	}
	return out
}

// matches reports whether upper-case words spell the nodes.
func matches(nodes []node, words []string) bool {
	if len(nodes) == 0 {
		return len(words) == 0
	}
	n := nodes[0]
	if len(words) > 0 && (words[0] == n.short || words[0] == n.long) && matches(nodes[1:], words[1:]) {
		return true
	}
	return n.optional && matches(nodes[1:], words)
}

// request is one command or query of a message.
type request struct {
	words []string // the whole header from the root, upper case; "*IDN" for a common one
	query bool
	param string
}

// parseMessage splits a message at its semicolons. A header without a leading
// colon starts where the header before left off (SCPI-1999 volume 1, 6.2.4,
// from memory): "MEAS:VOLT?;CURR?" asks for two measurements, and
// "MEAS:VOLT?;:CURR?" for one and a setting. Common commands do not move it.
func parseMessage(message string) []request {
	var out []request
	var path []string
	for part := range strings.SplitSeq(message, ";") {
		header, param, _ := strings.Cut(strings.TrimSpace(part), " ")
		header, query := strings.CutSuffix(strings.ToUpper(header), "?")
		r := request{query: query, param: strings.TrimSpace(param)}
		if strings.HasPrefix(header, "*") {
			r.words = []string{header}
			out = append(out, r)
			continue
		}
		rooted, absolute := strings.CutPrefix(header, ":")
		if absolute {
			path = nil
		}
		r.words = append(append([]string{}, path...), strings.Split(rooted, ":")...)
		path = r.words[:len(r.words)-1]
		out = append(out, r)
	}
	return out
}
