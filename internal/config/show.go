package config

import (
	"bytes"
	"fmt"
	"reflect"

	"go.yaml.in/yaml/v3"
)

// Show returns the effective configuration as YAML, which is a configuration
// again, but for what is secret: beside each value, as a comment, where it came
// from.
func Show(path string, flags map[string]string) ([]byte, error) {
	l, err := load(path, flags)
	if err != nil {
		return nil, err
	}
	return l.show()
}

func (l loaded) show() ([]byte, error) {
	s := shower{l.report, l.derived()}
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(s.node("", reflect.ValueOf(l.effective()))); err != nil {
		return nil, fmt.Errorf("show configuration: %w", err)
	}
	return b.Bytes(), enc.Close()
}

// effective is the raw configuration with what was left out filled in.
func (l loaded) effective() rawConfig {
	raw := l.raw
	raw.Profiles, raw.USB.Sysfs = l.Profiles, l.USB.Sysfs
	raw.Stations = nil
	for i, s := range l.Stations {
		raw.Stations = append(raw.Stations, s.effective(l.raw.Stations[i]))
	}
	l.fillAlerts(&raw)
	return raw
}

func (s Station) effective(raw rawStation) rawStation {
	raw.Name, raw.Window, raw.Power = s.Name, short(s.Window), string(s.Power)
	raw.VBUS = fmt.Sprint(s.VBUS)
	raw.Supply, raw.VBUSMeter = s.Supply.Or(Supply{}).effective(raw.Supply), s.VBUSMeter.Or(Supply{}).effective(raw.VBUSMeter)
	if t, ok := s.Thermometer.Get(); ok {
		filled := *raw.Thermometer
		filled.Timeout = short(t.Timeout)
		raw.Thermometer = &filled
	}
	return raw
}

func (s Supply) effective(raw *rawSupply) *rawSupply {
	if raw == nil {
		return nil
	}
	filled := *raw
	filled.Query, filled.Timeout = s.Query, short(s.Timeout)
	if s.Every != 0 {
		filled.Every = short(s.Every)
	}
	return &filled
}

// derived are the values that come from another one.
func (l loaded) derived() map[string]string {
	out := map[string]string{}
	for i, s := range l.Stations {
		at := fmt.Sprintf("stations[%d]", i)
		out[at+".name"] = "default, the id"
		out[at+".window"] = "default, of profile " + s.Profile.Name
	}
	for _, p := range l.People {
		for i := range p.Outlets {
			out[index("people."+p.Name+".outlets", i)] = "default, all"
		}
	}
	return out
}

// shower turns raw values into nodes with their origin. What is empty is not
// asked for and left out.
type shower struct {
	*report
	derived map[string]string
}

func (s shower) node(path string, v reflect.Value) *yaml.Node {
	switch v.Kind() {
	case reflect.Pointer:
		return s.node(path, v.Elem())
	case reflect.Struct:
		return s.mapping(path, v)
	case reflect.Slice:
		if isEntry(v.Type().Elem()) {
			return s.entries(path, v)
		}
		n := &yaml.Node{Kind: yaml.SequenceNode}
		for i := range v.Len() {
			n.Content = append(n.Content, s.node(fmt.Sprintf("%s[%d]", path, i), v.Index(i)))
		}
		return n
	default:
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: tagOf(v.String()), Value: v.String(), LineComment: s.origin(path)}
	}
}

func (s shower) mapping(path string, v reflect.Value) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode}
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("mapstructure")
		if v.Field(i).IsZero() || key == entryName || v.Field(i).Kind() == reflect.Slice && v.Field(i).Len() == 0 {
			continue
		}
		at := key
		if path != "" {
			at = path + "." + key
		}
		n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: key}, s.node(at, v.Field(i)))
	}
	return n
}

// entries shows what stands under names, as the mapping that it is in a file.
func (s shower) entries(path string, v reflect.Value) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode}
	for i := range v.Len() {
		entry := v.Index(i)
		name := entry.FieldByName("Name").String()
		at := path + "." + word(name)
		value := s.node(at, entry)
		if plain := entry.FieldByName("Value"); plain.IsValid() {
			value = s.node(at, plain)
		}
		n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: name, Tag: tagOf(name)}, value)
	}
	return n
}

func (s shower) origin(path string) string {
	if way, ok := s.given[path]; ok {
		return way
	}
	if line, ok := s.lines[path]; ok {
		return fmt.Sprintf("%s:%d", s.file, line)
	}
	if from, ok := s.derived[path]; ok {
		return from
	}
	return "default"
}

// tagOf keeps a text that would be read as no value in quotes.
func tagOf(text string) string {
	switch text {
	case "~", "null", "Null", "NULL":
		return "!!str"
	}
	return ""
}
