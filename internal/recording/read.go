package recording

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"time"

	"github.com/klauspost/compress/zstd"

	"benchvigil/internal/bench"
)

// zstdMagic begins every zstd frame (RFC 8878 section 3.1.1).
var zstdMagic = []byte{0x28, 0xb5, 0x2f, 0xfd}

// Reader reads a recording line by line.
type Reader struct {
	// Warn is told of what was passed over, once for each unknown field, and of
	// what looks like a mistake: see doubts.
	Warn func(text string)

	name   string
	b      *bufio.Reader
	zr     *zstd.Decoder
	n      int  // of the line read last
	open   bool // it was the last, and has no end
	header unheard
	first  []byte // a first line that was no header
	warned map[string]bool
	doubts doubts
}

type unheard struct {
	Header
	ok bool
}

// NewReader returns a Reader over plain or zstd-compressed lines and reads the
// header, where there is one. The name stands in errors. Close it.
func NewReader(r io.Reader, name string) (*Reader, error) {
	d := &Reader{name: name, b: bufio.NewReaderSize(r, 64<<10), warned: map[string]bool{}, Warn: func(string) {}}
	if magic, err := d.b.Peek(len(zstdMagic)); err == nil && bytes.Equal(magic, zstdMagic) {
		zr, err := zstd.NewReader(d.b, zstd.WithDecoderConcurrency(1))
		if err != nil {
			return nil, fmt.Errorf("%s: %w: %w", name, ErrUnreadable, err)
		}
		d.zr, d.b = zr, bufio.NewReaderSize(zr, 64<<10)
	}
	err := d.checkStart()
	if err == nil {
		err = d.readHeader()
	}
	if err != nil {
		d.Close()
		return nil, err
	}
	return d, nil
}

// Close frees the decompressor. It does not close the underlying reader.
func (d *Reader) Close() {
	if d.zr != nil {
		d.zr.Close()
	}
}

// Header returns the header and whether there was one.
func (d *Reader) Header() (Header, bool) { return d.header.Header, d.header.ok }

// Line is the number of the line that Next read last, from 1.
func (d *Reader) Line() int { return d.n }

func (d *Reader) readHeader() error {
	b, err := d.readLine()
	if errors.Is(err, io.EOF) {
		return nil
	}
	if err != nil {
		return err
	}
	if ok, err := d.takeHeader(b); !ok {
		d.first = bytes.Clone(bytes.TrimSpace(b))
		return err
	}
	return nil
}

// takeHeader takes a line if it is a header. A later one says how stations
// that begin after it are wired.
func (d *Reader) takeHeader(b []byte) (bool, error) {
	if !isHeader(b) {
		return false, nil
	}
	var h Header
	if err := json.Unmarshal(b, &h); err != nil {
		return false, d.bad("header", err)
	}
	if h.Recording < 1 || h.Recording > Version {
		return false, d.bad("recording", fmt.Errorf("version %d is not known to this program, which reads version %d", h.Recording, Version))
	}
	for id, s := range h.Stations {
		if s.Power != "" {
			if _, err := bench.ParsePowerPath(string(s.Power)); err != nil {
				return false, d.bad("stations."+id+".power", err)
			}
		}
	}
	if !d.header.ok {
		d.header = unheard{h, true}
		return true, nil
	}
	if d.header.Stations == nil {
		d.header.Stations = map[string]Stations{}
	}
	maps.Copy(d.header.Stations, h.Stations)
	return true, nil
}

// isHeader reports a line that is meant as a header. One that is no JSON is
// judged as an observation.
func isHeader(b []byte) bool {
	if !bytes.Contains(b, []byte(`"recording"`)) {
		return false
	}
	var probe struct {
		Recording *json.RawMessage `json:"recording"`
	}
	return json.Unmarshal(b, &probe) == nil && probe.Recording != nil
}

// Next returns the next observation, or io.EOF after the last. A last line
// that is cut off, as a killed daemon leaves it, is passed over with a warning
// where whole lines come before it.
func (d *Reader) Next() (bench.Observation, error) {
	o, err := d.next()
	switch {
	case err == nil:
		d.doubt(o)
	case errors.Is(err, io.EOF):
		d.doubtAll()
	}
	return o, err
}

func (d *Reader) next() (bench.Observation, error) {
	b := d.first
	d.first = nil
	for len(b) == 0 {
		var err error
		if b, err = d.readLine(); err != nil {
			return bench.Observation{}, err
		}
		b = bytes.TrimSpace(b)
		header, err := d.takeHeader(b)
		if err != nil {
			return bench.Observation{}, err
		}
		if header {
			b = nil
		}
	}
	o, unknown, field, err := decode(b)
	switch {
	case err == nil:
	case d.open && d.n > 1 && cutOff(b):
		d.Warn(fmt.Sprintf("%s:%d: the last line is cut off, and passed over", d.name, d.n))
		return bench.Observation{}, io.EOF
	case d.n == 1 && !looksLikeJSON(b):
		return bench.Observation{}, d.bad("", fmt.Errorf("%s: not a recording, which has one JSON object a line", short(b)))
	default:
		return bench.Observation{}, d.bad(field, err)
	}
	for _, f := range unknown {
		d.warnOnce(f, f+": passed over, this version does not know the field")
	}
	return o, nil
}

// cutOff reports a line that begins as JSON and ends too early.
func cutOff(b []byte) bool {
	var all json.RawMessage
	return errors.Is(json.NewDecoder(bytes.NewReader(b)).Decode(&all), io.ErrUnexpectedEOF)
}

// warnOnce tells about the line read last, once for each key.
func (d *Reader) warnOnce(key, text string) {
	if !d.warned[key] {
		d.warned[key] = true
		d.Warn(fmt.Sprintf("%s:%d: %s", d.name, d.n, printable(text)))
	}
}

// readLine returns the next line without its end; it is valid until the next call.
func (d *Reader) readLine() ([]byte, error) {
	b, err := d.b.ReadSlice('\n')
	switch {
	case err == nil:
		d.n++
		return b[:len(b)-1], nil
	case errors.Is(err, bufio.ErrBufferFull):
		return d.readLongLine(bytes.Clone(b))
	case errors.Is(err, io.EOF) && len(b) == 0:
		return nil, io.EOF
	case errors.Is(err, io.EOF):
		d.n, d.open = d.n+1, true
		return b, nil
	}
	d.n++
	return nil, d.broken(err)
}

func (d *Reader) readLongLine(head []byte) ([]byte, error) {
	for len(head) <= maxLine {
		b, err := d.b.ReadSlice('\n')
		head = append(head, b...)
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		d.n++
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, d.broken(err)
		}
		d.open = err != nil
		return bytes.TrimSuffix(head, []byte{'\n'}), nil
	}
	d.n++
	return nil, d.bad("", fmt.Errorf("a line longer than %d bytes", maxLine))
}

// broken is an error of reading, not of what was read.
func (d *Reader) broken(err error) error {
	if d.zr != nil {
		err = fmt.Errorf("not a whole zstd file: %w", err)
	}
	return d.bad("", err)
}

// bad makes an error that names file, line and field.
func (d *Reader) bad(field string, err error) error {
	if field != "" {
		field = " " + printable(field) + ":"
	}
	return fmt.Errorf("%s:%d:%s %w (%w)", d.name, d.n, field, shown{err}, ErrUnreadable)
}

// decode reads one line. The fast path takes what the fields of this version
// make up completely; anything else is looked at field by field.
func decode(b []byte) (o bench.Observation, unknown []string, field string, err error) {
	var l line
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if dec.Decode(&l) != nil || dec.More() {
		if l, unknown, field, err = decodeSlowly(b); err != nil {
			return o, nil, field, err
		}
	}
	o, field, err = l.observation()
	return o, unknown, field, err
}

// observation checks the line and makes the observation of it.
func (l *line) observation() (o bench.Observation, field string, err error) {
	at, err := time.Parse(time.RFC3339Nano, l.At)
	if err != nil {
		return o, "at", fmt.Errorf("%q is not a time: write it like 2026-03-02T21:14:05.120Z", l.At)
	}
	if err := checkStation(l.Station); err != nil {
		return o, "station", err
	}
	o = bench.Observation{At: at.Round(time.Millisecond).UTC(), Station: l.Station}
	facts := 0
	take := func(name string, f bench.Fact, bad string, e error) {
		facts++
		o.Fact = f
		if e != nil && err == nil {
			field, err = name+"."+bad, e
		}
	}
	if l.Power != nil {
		take("power", bench.Power(*l.Power), "", nil)
	}
	if l.Temperature != nil {
		f, e := l.Temperature.fact()
		take("temperature", f, "celsius", e)
	}
	if l.USB != nil {
		f, bad, e := l.USB.fact()
		take("usb", f, bad, e)
	}
	if l.Traffic != nil {
		take("traffic", bench.Traffic(*l.Traffic), "", nil)
	}
	if l.Mark != nil {
		f, bad, e := l.Mark.fact()
		take("mark", f, bad, e)
	}
	if l.Supply != nil {
		e := checkSight(&l.Supply.Change, l.Supply.Error)
		take("supply", bench.Supply(*l.Supply), "change", e)
	}
	if l.USBSource != nil {
		e := checkSight(&l.USBSource.Change, l.USBSource.Error)
		take("usb_source", bench.USBSource(*l.USBSource), "change", e)
	}
	if l.Clock != nil {
		f, e := l.Clock.fact()
		take("clock", f, "change", e)
	}
	if facts != 1 {
		return o, "", fmt.Errorf("%d observations in one line, want one of power, temperature, usb, traffic, mark, supply, usb_source, clock", facts)
	}
	return o, field, err
}

func (m *mark) fact() (f bench.Mark, field string, err error) {
	f = bench.Mark{By: m.By, Kind: m.Kind, Text: m.Text, For: seconds(m.ForSecs)}
	switch {
	case m.Kind == "":
		return f, "kind", errors.New("is missing")
	case !(m.ForSecs >= 0 && m.ForSecs <= 1e6):
		return f, "for_s", fmt.Errorf("%g: want a number of seconds", m.ForSecs)
	case !slices.Contains(bench.MarkKinds(), m.Kind):
		return f, "kind", f.Known()
	case m.Kind == bench.MarkScreen:
		f = f.Tidy()
	}
	return f, "text", f.Known()
}

func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1000)) * time.Millisecond
}

func (u *usb) fact() (f bench.USB, field string, err error) {
	f = bench.USB{Change: u.Change, Port: u.Port, Serial: u.Serial}
	switch u.Change {
	case bench.USBRemove, bench.USBDetails:
		return f, "", nil
	case bench.USBAdd:
	default:
		return f, "change", fmt.Errorf("%q: want add, remove or details", u.Change)
	}
	if f.ID.Vendor, err = bench.ParseHex16(u.Vendor); err != nil {
		return f, "vendor", err
	}
	if f.ID.Product, err = bench.ParseHex16(u.Product); err != nil {
		return f, "product", err
	}
	if f.Number = u.Number; u.Number < 0 {
		return f, "number", fmt.Errorf("%d: want the number of a device, or none", u.Number)
	}
	return f, "", nil
}

// checkSight accepts an error without a change: it is a complaint.
func checkSight(change *bench.Sight, text string) error {
	if *change == "" && text != "" {
		*change = bench.Trouble
	}
	switch *change {
	case bench.Lost, bench.Back, bench.Trouble:
		return nil
	}
	return fmt.Errorf("%q: want lost, back or error", *change)
}

func (t *temperature) fact() (bench.Temperature, error) {
	if t.Celsius == nil {
		return bench.Temperature{}, errors.New("is missing")
	}
	return bench.Temperature{Celsius: *t.Celsius}, nil
}

// longestGap is a century, in seconds.
const longestGap = 100 * 365 * 24 * 3600.0

func (c *clockNews) fact() (bench.Clock, error) {
	switch c.Change {
	case clockEnd:
		return bench.Clock{End: true}, nil
	case clockGap:
		g := bench.Clock{Gap: seconds(c.ForSecs), Rebooted: c.Rebooted}
		if !(c.ForSecs <= longestGap) || g.Gap <= 0 {
			return bench.Clock{}, fmt.Errorf("a gap of %g s: want a number of seconds above 0, and up to %g", c.ForSecs, longestGap)
		}
		return g, nil
	case clockJump:
		if math.Abs(c.BySecs) > 100*365*24*3600 {
			return bench.Clock{}, fmt.Errorf("a jump by %g s is longer than a century", c.BySecs)
		}
		return bench.Clock{Jump: seconds(c.BySecs)}, nil
	}
	return bench.Clock{}, fmt.Errorf("%q: want jump, end or gap", c.Change)
}
