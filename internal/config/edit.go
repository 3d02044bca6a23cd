package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"benchvigil/internal/bench"
)

// Entry is a station as somebody enters it into a file: what is empty is left
// out, and on a station that is there already, taken out, except for Name and
// VBUS, which then stay as they are.
type Entry struct {
	ID, Name, Port, Profile string
	VBUS                    bool
	Address                 string // of the supply; empty: there is none
	Query                   string
	VoltsQuery, AmpsQuery   string
}

// CheckID says what is wrong with the name of a bench or the ID of a station.
func CheckID(id string) error {
	if !label.MatchString(id) {
		return fmt.Errorf("%q must be 1 to 32 small letters, digits and dashes, starting with a letter or digit", id)
	}
	return nil
}

// Draft is what can be read of a file before it is complete.
type Draft struct {
	Bench, Profiles, Sysfs string // as they are written
	Stations               []DraftStation
}

// DraftStation is a station of a draft.
type DraftStation struct {
	ID, Name, Port string
	Address        string // of its supply
}

// ReadDraft reads what is there of a configuration, however little it is. It
// refuses only what is no YAML at all; what does not fit is left out.
func ReadDraft(text []byte) (Draft, error) {
	var raw struct {
		Bench    string `yaml:"bench"`
		Profiles string `yaml:"profiles"`
		USB      struct {
			Sysfs string `yaml:"sysfs"`
		} `yaml:"usb"`
		Stations []struct {
			ID   string `yaml:"id"`
			Name string `yaml:"name"`
			Port string `yaml:"port"`

			Supply struct {
				Address string `yaml:"address"`
			} `yaml:"supply"`
		} `yaml:"stations"`
	}
	err := yaml.Unmarshal(text, &raw)
	if _, shape := errors.AsType[*yaml.TypeError](err); err != nil && !shape {
		return Draft{}, fmt.Errorf("read configuration: %w", err)
	}
	d := Draft{Bench: raw.Bench, Profiles: cmp.Or(raw.Profiles, DefaultProfiles), Sysfs: cmp.Or(raw.USB.Sysfs, DefaultSysfs)}
	for _, s := range raw.Stations {
		d.Stations = append(d.Stations, DraftStation{s.ID, s.Name, s.Port, s.Supply.Address})
	}
	return d, nil
}

// WithStation returns the text of a configuration with a station added, or
// changed where one of that ID is there. Everything else stays as it is written,
// comments included; of a station that is changed, its own lines are written
// anew. The result is not checked: that is Parse's.
func WithStation(text []byte, e Entry) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	if strings.ContainsAny(strings.ReplaceAll(string(text), "\r\n", "\n"), strangeBreaks) {
		return nil, errors.New("the file has line ends that an editor does not write: save it with an editor once")
	}
	ed := editor{lines: splitLines(text)}
	stations := valueOf(&doc, "stations")
	switch {
	case stations == nil:
		ed.insert(len(ed.lines), append([]string{"stations:"}, e.lines(2)...))
		return ed.text(), nil
	case stations.Kind != yaml.SequenceNode || len(stations.Content) == 0:
		return ed.first(stations, e)
	case stations.Style&yaml.FlowStyle != 0:
		return nil, errors.New("stations is written between brackets: write it as a list of lines that start with a dash, then add to it")
	}
	for _, n := range stations.Content {
		if id := valueOf(n, "id"); id != nil && id.Value == e.ID {
			return ed.change(n, e)
		}
	}
	last := stations.Content[len(stations.Content)-1]
	ed.insert(lastLine(last), e.lines(ed.dash(last)))
	return ed.text(), nil
}

// strangeBreaks end a line for YAML, and for hardly anybody else (YAML 1.1,
// section 5.4, from memory).
const strangeBreaks = "\r\u0085\u2028\u2029"

// editor holds a file by lines, without their ends.
type editor struct{ lines []string }

func splitLines(text []byte) []string {
	if len(bytes.TrimSpace(text)) == 0 {
		return nil
	}
	lines := strings.Split(strings.TrimRight(string(text), "\r\n"), "\n")
	if strings.HasSuffix(lines[0], "\r") && len(lines) > 1 {
		lines[len(lines)-1] += "\r"
	}
	return lines
}

// insert puts lines after the first n.
func (ed *editor) insert(n int, lines []string) {
	if len(ed.lines) > 0 && strings.HasSuffix(ed.lines[0], "\r") {
		for i := range lines {
			lines[i] += "\r"
		}
	}
	ed.lines = slices.Insert(ed.lines, n, lines...)
}

func (ed *editor) text() []byte { return []byte(strings.Join(ed.lines, "\n") + "\n") }

// dash is how far the dash of an entry is indented.
func (ed *editor) dash(entry *yaml.Node) int {
	return max(0, strings.IndexByte(ed.lines[entry.Line-1], '-'))
}

// first fills a list that is empty: nothing after the colon, or "[]".
func (ed *editor) first(stations *yaml.Node, e Entry) ([]byte, error) {
	at := stations.Line - 1
	if at >= len(ed.lines) || !strings.Contains(ed.lines[at], "stations") {
		return nil, errors.New("stations is written in an unusual way: write \"stations:\" on a line of its own, then add to it")
	}
	if stations.Kind == yaml.SequenceNode {
		ed.lines[at] = strings.Replace(ed.lines[at], "[]", "", 1)
	} else if stations.Value != "" && stations.Value != "~" && stations.Value != "null" {
		return nil, fmt.Errorf("stations is %q and not a list", stations.Value)
	}
	ed.lines[at] = strings.TrimRight(ed.lines[at], " \t")
	ed.insert(stations.Line, e.lines(2))
	return ed.text(), nil
}

// change writes the lines of one entry anew.
func (ed *editor) change(n *yaml.Node, e Entry) ([]byte, error) {
	if n.Kind != yaml.MappingNode {
		return nil, fmt.Errorf("station %q is not written as keys and values", e.ID)
	}
	dash, from, to := ed.dash(n), n.Line-1, lastLine(n)
	keepOutside(n)
	e.into(n)
	out, err := encode(n)
	if err != nil {
		return nil, err
	}
	ed.lines = slices.Delete(ed.lines, from, to)
	ed.insert(from, item(out, dash))
	return ed.text(), nil
}

// keepOutside forgets the comments around an entry: they stay where they are.
func keepOutside(n *yaml.Node) {
	n.HeadComment, n.FootComment = "", ""
	if len(n.Content) == 0 {
		return
	}
	n.Content[0].HeadComment = ""
	for last := n; len(last.Content) > 0; last = last.Content[len(last.Content)-1] {
		for _, c := range last.Content[max(0, len(last.Content)-2):] {
			c.FootComment = ""
		}
	}
}

// into sets the keys of an entry, and leaves the others.
func (e Entry) into(n *yaml.Node) {
	if e.Name != "" {
		set(n, "name", e.Name)
	}
	set(n, "port", e.Port)
	set(n, "profile", e.Profile)
	if e.VBUS {
		set(n, "vbus", "true")
	}
	if e.Address == "" {
		drop(n, "supply")
		return
	}
	supply := valueOf(n, "supply")
	if supply == nil || supply.Kind != yaml.MappingNode {
		drop(n, "supply")
		supply = &yaml.Node{Kind: yaml.MappingNode}
		n.Content = append(n.Content, scalar("supply"), supply)
	}
	if p := valueOf(n, "power"); p != nil && p.Value == string(bench.FromBattery) {
		drop(n, "power") // a supply was found, so a battery does not feed the board any longer
	}
	set(supply, "address", e.Address)
	set(supply, "query", e.Query)
	set(supply, "volts_query", e.VoltsQuery)
	set(supply, "amps_query", e.AmpsQuery)
}

// lines are a new entry, its dash indented by so much.
func (e Entry) lines(dash int) []string {
	n := &yaml.Node{Kind: yaml.MappingNode}
	set(n, "id", e.ID)
	e.into(n)
	out, err := encode(n)
	if err != nil {
		panic(err) // a mapping of texts can always be written
	}
	return item(out, dash)
}

// encode writes a node as YAML, by lines.
func encode(n *yaml.Node) ([]string, error) {
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := errors.Join(enc.Encode(n), enc.Close()); err != nil {
		return nil, fmt.Errorf("write station: %w", err)
	}
	return splitLines(b.Bytes()), nil
}

// item makes an entry of a list out of lines.
func item(lines []string, dash int) (out []string) {
	for i, l := range lines {
		lead := "  "
		if i == 0 {
			lead = "- "
		}
		out = append(out, strings.TrimRight(strings.Repeat(" ", dash)+lead+l, " "))
	}
	return out
}

func scalar(text string) *yaml.Node {
	n := &yaml.Node{}
	n.SetString(text)
	return n
}

// set gives a key a value, "" takes the key out.
func set(n *yaml.Node, key, value string) {
	if value == "" {
		drop(n, key)
		return
	}
	v := scalar(value)
	if key == "vbus" {
		v = &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!bool", Value: value}
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			v.LineComment = n.Content[i+1].LineComment
			n.Content[i+1] = v
			return
		}
	}
	n.Content = append(n.Content, scalar(key), v)
}

func drop(n *yaml.Node, key string) {
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			n.Content = slices.Delete(n.Content, i, i+2)
			return
		}
	}
}

// valueOf is the value of a key of a mapping, or of a document's top one; nil
// where there is none.
func valueOf(n *yaml.Node, key string) *yaml.Node {
	if n.Kind == yaml.DocumentNode && len(n.Content) > 0 {
		n = n.Content[0]
	}
	if n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

// lastLine is the last line that anything in a node starts on.
func lastLine(n *yaml.Node) int {
	line := n.Line
	for _, c := range n.Content {
		line = max(line, lastLine(c))
	}
	return line
}
