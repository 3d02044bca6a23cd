package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// parseYAML returns the top mapping of the file, or nil and a report.
func parseYAML(rep *report, text []byte) *yaml.Node {
	dec := yaml.NewDecoder(bytes.NewReader(text))
	var doc, more yaml.Node
	if err := dec.Decode(&doc); errors.Is(err, io.EOF) {
		rep.failAt(0, "", "the file is empty: a bench needs at least its name and one station")
		return nil
	} else if err != nil {
		syntaxError(rep, text, err)
		return nil
	}
	if err := dec.Decode(&more); err == nil {
		rep.failAt(more.Line, "", `a second document starts here and would be ignored: remove the line "---"`)
		return nil
	} else if !errors.Is(err, io.EOF) {
		syntaxError(rep, text, err)
		return nil
	}
	root := doc.Content[0]
	switch {
	case root.Tag == "!!null":
		rep.failAt(0, "", "the file is empty: a bench needs at least its name and one station")
		return nil
	case root.Kind != yaml.MappingNode:
		rep.failAt(root.Line, "", "this is not a configuration: it must hold keys and values, such as \"bench: north\"")
		return nil
	}
	return root
}

// yamlError is how the parser words an error.
var yamlError = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

func syntaxError(rep *report, text []byte, err error) {
	if line := tabbedLine(text); line > 0 {
		rep.failAt(line, "", "a tab indents this line: YAML wants spaces")
		return
	}
	m := yamlError.FindStringSubmatch(err.Error())
	if m == nil {
		rep.failAt(0, "", "this is not YAML: %v", err)
		return
	}
	line, _ := strconv.Atoi(m[1]) // none is 0, the file as a whole
	rep.failAt(line, "", "this is not YAML: %s", strings.TrimPrefix(err.Error(), m[0]))
}

// tabbedLine is the first line that a tab indents, 0 for none.
func tabbedLine(text []byte) int {
	n := 0
	for line := range bytes.Lines(text) {
		n++
		if indent := line[:len(line)-len(bytes.TrimLeft(line, " \t"))]; bytes.ContainsRune(indent, '\t') {
			return n
		}
	}
	return 0
}

// readTree turns the nodes into maps, lists and texts for viper: only what the
// raw types know and in their shape, every value as it is written. What does
// not fit is reported and left out.
func readTree(rep *report, root *yaml.Node) map[string]any {
	rep.lines[""] = root.Line
	return treeReader{rep}.mapping("", root, reflect.TypeFor[rawConfig]())
}

type treeReader struct{ *report }

// value reads the node at path in the shape of t: a struct stands for keys and
// values, a slice for a list, a string for one plain value.
func (r treeReader) value(path string, n *yaml.Node, t reflect.Type) (any, bool) {
	if n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	if n.Kind == yaml.ScalarNode && (n.Value == "" || n.Tag == "!!null") {
		r.fail(path, "no value: write one, or leave the key out")
		return nil, false
	}
	switch t.Kind() {
	case reflect.Pointer:
		return r.value(path, n, t.Elem())
	case reflect.Struct:
		if n.Kind != yaml.MappingNode {
			r.fail(path, "must hold keys and values (%s), not %s", strings.Join(keysOf(t), ", "), shape(n))
			return map[string]any{}, false
		}
		return r.mapping(path, n, t), true
	case reflect.Slice:
		if isEntry(t.Elem()) {
			return r.entries(path, n, t.Elem())
		}
		if n.Kind != yaml.SequenceNode {
			r.fail(path, `must be a list, each entry starting with "- ", not %s`, shape(n))
			return nil, false
		}
		return r.list(path, n, t.Elem()), true
	default:
		if n.Kind != yaml.ScalarNode {
			r.fail(path, "must be one plain value, not %s", shape(n))
			return nil, false
		}
		return n.Value, true
	}
}

func (r treeReader) mapping(path string, n *yaml.Node, t reflect.Type) map[string]any {
	out := map[string]any{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key := n.Content[i]
		at := strings.TrimPrefix(path+"."+word(key.Value), ".")
		first, twice := r.lines[at]
		field, known := fieldOf(t, key.Value)
		known = known && key.Value != entryName
		switch {
		case !known:
			r.failAt(key.Line, at, "unknown key: %s", hint(key.Value, keysOf(t)))
		case twice:
			r.failAt(key.Line, at, "given twice, first on line %d: keep one", first)
		default:
			r.lines[at] = key.Line
			if v, ok := r.value(at, n.Content[i+1], field); ok {
				out[key.Value] = v
			}
		}
	}
	return out
}

// list keeps an empty place for an entry that does not fit, so that the ones
// after it keep their numbers.
func (r treeReader) list(path string, n *yaml.Node, t reflect.Type) []any {
	out := []any{}
	for i, entry := range n.Content {
		at := fmt.Sprintf("%s[%d]", path, i)
		r.lines[at] = entry.Line
		v, ok := r.value(at, entry, t)
		switch {
		case ok:
		case t.Kind() == reflect.Struct:
			v = map[string]any{}
		default:
			v = ""
		}
		out = append(out, v)
	}
	return out
}

// entries reads a mapping whose keys are names of the user's, as a list.
func (r treeReader) entries(path string, n *yaml.Node, t reflect.Type) (any, bool) {
	if n.Kind != yaml.MappingNode {
		r.fail(path, "must hold names and what belongs to each, not %s", shape(n))
		return nil, false
	}
	out := []any{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		name := n.Content[i]
		at := path + "." + word(name.Value)
		if first, twice := r.lines[at]; twice {
			r.failAt(name.Line, at, "given twice, first on line %d: keep one", first)
			continue
		}
		r.lines[at] = name.Line
		if entry, ok := r.entry(at, n.Content[i+1], t); ok {
			entry[entryName] = name.Value
			out = append(out, entry)
		}
	}
	return out, true
}

func (r treeReader) entry(at string, n *yaml.Node, t reflect.Type) (map[string]any, bool) {
	if _, plain := fieldOf(t, entryValue); plain {
		text, ok := r.value(at, n, reflect.TypeFor[string]())
		return map[string]any{entryValue: text}, ok
	}
	v, ok := r.value(at, n, t)
	entry, _ := v.(map[string]any)
	return entry, ok && entry != nil
}

// isEntry reports a struct that stands in a mapping under a name.
func isEntry(t reflect.Type) bool {
	if t.Kind() != reflect.Struct {
		return false
	}
	_, ok := fieldOf(t, entryName)
	return ok
}

// word keeps a strange key from breaking the line that reports it.
func word(key string) string {
	if strings.ContainsFunc(key, unprintable) {
		return strconv.Quote(key)
	}
	return key
}

func shape(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "keys and values"
	case yaml.SequenceNode:
		return "a list"
	default:
		return "a plain value"
	}
}

// keysOf lists the keys of a raw struct, in its order.
func keysOf(t reflect.Type) (keys []string) {
	for f := range t.Fields() {
		if key := f.Tag.Get("mapstructure"); key != entryName {
			keys = append(keys, key)
		}
	}
	return keys
}

func fieldOf(t reflect.Type, key string) (reflect.Type, bool) {
	for f := range t.Fields() {
		if f.Tag.Get("mapstructure") == key {
			return f.Type, true
		}
	}
	return nil, false
}
