package profile

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Change puts one value into a profile's file.
type Change struct {
	Mode bench.Mode // empty: a key of the profile itself
	Key  string     // such as "amps" or "dwell.most"
	To   []string   // one value, or the two of a band
}

// String prints the change as the file would have it: "running amps: [0.08, 1.8]".
func (c Change) String() string {
	return strings.TrimSpace(string(c.Mode)+" "+c.Key) + ": " + Inline(c.To)
}

// Inline prints values as they stand in a file.
func Inline(values []string) string {
	if len(values) == 1 {
		return values[0]
	}
	return "[" + strings.Join(values, ", ") + "]"
}

// Values are the ends of the band in amperes, as a file has them.
func (b Band) Values() []string { return []string{amperes(b.Low), amperes(b.High)} }

// Values are the ends of the range, as a file has them.
func (r Rates) Values() []string { return []string{rate(r.Low), rate(r.High)} }

func amperes(c unit.Current) string { return strconv.FormatFloat(c.Amps(), 'f', -1, 64) }

func rate(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// Duration prints a length of time as files have it: "90s", "12m", "1h30m".
func Duration(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// Edit returns the profile's file with the changes made and its comments kept.
// What it returns can be parsed.
func Edit(src []byte, name string, changes []Change) ([]byte, error) {
	if _, err := Parse(bytes.NewReader(src), name); err != nil {
		return nil, err
	}
	doc, err := document(bytes.NewReader(src), name)
	if err != nil {
		return nil, err
	}
	for _, c := range changes {
		if err := edit(doc.Content[0], c); err != nil {
			return nil, fmt.Errorf("%s: change %v: %w", name, c, err)
		}
	}
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := errors.Join(enc.Encode(doc), enc.Close()); err != nil {
		return nil, fmt.Errorf("%s: write the changed profile: %w", name, err)
	}
	if _, err := Parse(bytes.NewReader(out.Bytes()), name); err != nil {
		return nil, fmt.Errorf("%s: the changed profile is not sound: %w", name, err)
	}
	return out.Bytes(), nil
}

func edit(n *yaml.Node, c Change) error {
	path := strings.Split(c.Key, ".")
	if c.Mode != "" {
		path = append([]string{"modes", string(c.Mode)}, path...)
	}
	for _, key := range path[:len(path)-1] {
		v := value(n, key)
		if v == nil {
			v = &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}
			put(n, key, v)
		}
		if v.Kind != yaml.MappingNode {
			return fmt.Errorf("line %d: %s is not written out there", v.Line, key)
		}
		n = v
	}
	put(n, path[len(path)-1], written(c.To))
	return nil
}

// written is the node of one value, or of a list of them on one line.
func written(values []string) *yaml.Node {
	if len(values) == 1 {
		return &yaml.Node{Kind: yaml.ScalarNode, Value: values[0]}
	}
	list := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	for _, v := range values {
		list.Content = append(list.Content, written([]string{v}))
	}
	return list
}

func value(mapping *yaml.Node, key string) *yaml.Node {
	if i := index(mapping, key); i >= 0 {
		return mapping.Content[i]
	}
	return nil
}

// put sets a key and keeps the comments of the value that was there.
func put(mapping *yaml.Node, key string, v *yaml.Node) {
	i := index(mapping, key)
	if i < 0 {
		at := len(mapping.Content)
		if modes := index(mapping, "modes"); modes > 0 {
			at = modes - 1 // what is short stands before what is long
		}
		mapping.Content = slices.Insert(mapping.Content, at, &yaml.Node{Kind: yaml.ScalarNode, Value: key}, v)
		return
	}
	old := mapping.Content[i]
	v.HeadComment, v.LineComment, v.FootComment = old.HeadComment, old.LineComment, old.FootComment
	mapping.Content[i] = v
}

// index is where the value of a key stands in a mapping, or -1.
func index(mapping *yaml.Node, key string) int {
	for i := 0; i+1 < len(mapping.Content); i += 2 {
		if mapping.Content[i].Value == key {
			return i + 1
		}
	}
	return -1
}

// Keys of a mode that can be learned, in the order of a file.
const (
	KeyAmps     = "amps"
	KeyWithVBUS = "amps_with_vbus"
	KeyGap      = "gap"
	KeyTraffic  = "traffic"
	KeyTypical  = "dwell.typical"
	KeyMost     = "dwell.most"
)
