package recording

import (
	"encoding/json"
	"errors"
	"slices"
)

// decodeSlowly reads a line field by field, so that an error names its field
// and unknown fields are told apart from unreadable ones. It also takes the
// short ways of writing the lines that are made by hand:
// "supply":"lost", "clock":"end", {"state":"lost"}, {"jump_s":3600}, {"jump":3600}, {"end":true}.
func decodeSlowly(b []byte) (l line, unknown []string, field string, err error) {
	top, err := object(b)
	if err != nil {
		return l, nil, "", err
	}
	w := walker{unknown: &unknown}
	w.field(top, "", "at", &l.At)
	w.field(top, "", "station", &l.Station)
	for _, name := range sortedKeys(top) {
		switch name {
		case "at", "station":
		case "power":
			l.Power = new(power)
			w.power(top[name], l.Power)
		case "temperature":
			l.Temperature = new(temperature)
			w.object(top[name], "temperature", map[string]any{"celsius": &l.Temperature.Celsius})
		case "usb":
			l.USB = new(usb)
			w.usb(top[name], l.USB)
		case "traffic":
			l.Traffic = new(traffic)
			w.object(top[name], "traffic", map[string]any{"urbs": &l.Traffic.URBs})
		case "mark":
			l.Mark = new(mark)
			w.object(top[name], "mark", map[string]any{"by": &l.Mark.By, "kind": &l.Mark.Kind, "text": &l.Mark.Text, "for_s": &l.Mark.ForSecs})
		case "supply":
			l.Supply = w.supply(top[name])
		case "usb_source":
			l.USBSource = w.sight(top[name], "usb_source")
		case "clock":
			l.Clock = w.clock(top[name])
		default:
			unknown = append(unknown, name)
		}
	}
	return l, unknown, w.bad, w.err
}

// walker remembers the first field that cannot be read.
type walker struct {
	unknown *[]string
	bad     string
	err     error
}

func (w *walker) fail(field string, err error) {
	if w.err == nil {
		w.bad, w.err = field, err
	}
}

// field decodes one field of an object into target.
func (w *walker) field(obj map[string]json.RawMessage, prefix, name string, target any) {
	raw, ok := obj[name]
	if !ok {
		return
	}
	if err := json.Unmarshal(raw, target); err != nil {
		w.fail(prefix+name, explain(raw, err))
	}
}

// object decodes the known fields of an object and notes the others.
func (w *walker) object(raw json.RawMessage, name string, known map[string]any) {
	obj, err := object(raw)
	if err != nil {
		w.fail(name, err)
		return
	}
	for _, k := range sortedKeys(obj) {
		if target, ok := known[k]; ok {
			w.field(obj, name+".", k, target)
		} else {
			*w.unknown = append(*w.unknown, name+"."+k)
		}
	}
}

func (w *walker) power(raw json.RawMessage, p *power) {
	w.object(raw, "power", map[string]any{
		"volts": &p.Volts, "amps": &p.Amps, "set_volts": &p.SetVolts, "limit_amps": &p.LimitAmps,
		"output": &p.Output, "channel": &p.Channel,
	})
}

func (w *walker) usb(raw json.RawMessage, u *usb) {
	w.object(raw, "usb", map[string]any{
		"change": &u.Change, "port": &u.Port, "vendor": &u.Vendor, "product": &u.Product, "serial": &u.Serial, "number": &u.Number,
	})
}

func (w *walker) sight(raw json.RawMessage, name string) *sight {
	s := new(sight)
	if json.Unmarshal(raw, &s.Change) == nil {
		return s
	}
	w.object(raw, name, map[string]any{"change": &s.Change, "state": &s.Change, "error": &s.Error})
	return s
}

func (w *walker) supply(raw json.RawMessage) *supplyNews {
	s := new(supplyNews)
	if json.Unmarshal(raw, &s.Change) == nil {
		return s
	}
	w.object(raw, "supply", map[string]any{"change": &s.Change, "state": &s.Change, "error": &s.Error, "channel": &s.Channel})
	return s
}

func (w *walker) clock(raw json.RawMessage) *clockNews {
	c := new(clockNews)
	if json.Unmarshal(raw, &c.Change) == nil {
		return c
	}
	var jump *float64
	var end bool
	w.object(raw, "clock", map[string]any{"change": &c.Change, "by_s": &c.BySecs, "jump_s": &jump, "jump": &jump, "end": &end, "for_s": &c.ForSecs, "rebooted": &c.Rebooted})
	switch {
	case jump != nil:
		c.Change, c.BySecs = clockJump, *jump
	case end:
		c.Change = clockEnd
	}
	return c
}

func object(raw []byte) (map[string]json.RawMessage, error) {
	var obj map[string]json.RawMessage
	if err := json.Unmarshal(raw, &obj); err != nil {
		return nil, explain(raw, err)
	}
	if obj == nil {
		return nil, errors.New("null: want an object")
	}
	return obj, nil
}

func sortedKeys(m map[string]json.RawMessage) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
