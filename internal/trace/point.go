package trace

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// The values of a reading, by place in a Point. A temperature and a count have
// only the first.
const (
	Volts    = iota // µV
	Amps            // µA
	SetVolts        // µV
	Limit           // µA
	Output          // 0 or 1
	width
)

// Point is what was shown at one moment.
type Point struct {
	At     int64 // Unix ms
	Known  uint8 // bit i: value i is known; the others are 0
	Values [width]int64
}

// Kind says what the points of a trace are.
type Kind string

// The kinds.
const (
	Readings    Kind = "power"
	Temperature Kind = "temperature"
	Traffic     Kind = "traffic"
)

// Channel is where the points of a trace come from: all with the same kind and name
// belong together.
type Channel struct {
	Kind Kind
	Name string // of readings: bench.Power's Channel, as it was given
}

// Of makes a point of an observation, and reports whether it is one that traces hold.
func Of(o bench.Observation) (Channel, Point, bool) {
	p := Point{At: o.At.UnixMilli()}
	switch f := o.Fact.(type) {
	case bench.Power:
		set(&p, Volts, f.Volts)
		set(&p, Amps, f.Amps)
		set(&p, SetVolts, f.SetVolts)
		set(&p, Limit, f.LimitAmps)
		if on, known := f.Output.Get(); known {
			p.Known |= 1 << Output
			if on {
				p.Values[Output] = 1
			}
		}
		return Channel{Readings, f.Channel}, p, true
	case bench.Temperature:
		p.Known, p.Values[0] = 1, int64(f.Celsius)
		return Channel{Kind: Temperature}, p, true
	case bench.Traffic:
		p.Known, p.Values[0] = 1, int64(f.URBs)
		return Channel{Kind: Traffic}, p, true
	}
	return Channel{}, Point{}, false
}

// Fact is what a point of the channel said; nil for a kind that is not known.
func (p *Point) Fact(c Channel) bench.Fact {
	switch c.Kind {
	case Readings:
		f := bench.Power{
			Volts: get[unit.Voltage](p, Volts), Amps: get[unit.Current](p, Amps),
			SetVolts: get[unit.Voltage](p, SetVolts), LimitAmps: get[unit.Current](p, Limit),
			Channel: c.Name,
		}
		if p.Known&(1<<Output) != 0 {
			f.Output = unit.Some(p.Values[Output] != 0)
		}
		return f
	case Temperature:
		return bench.Temperature{Celsius: unit.Temperature(p.Values[0])}
	case Traffic:
		return bench.Traffic{URBs: uint64(p.Values[0])}
	}
	return nil
}

func set[T ~int64](p *Point, i int, v unit.Maybe[T]) {
	if x, known := v.Get(); known {
		p.Known |= 1 << i
		p.Values[i] = int64(x)
	}
}

func get[T ~int64](p *Point, i int) (v unit.Maybe[T]) {
	if p.Known&(1<<i) != 0 {
		v = unit.Some(T(p.Values[i]))
	}
	return v
}

// Encode packs points, which must be in order of time.
func Encode(points []Point) ([]byte, error) {
	t := table{at: make([]int64, len(points))}
	for i := range points {
		t.at[i] = points[i].At
	}
	for v := range width {
		t.cols[v] = gather(points, v)
	}
	return encode(version, &t)
}

// gather takes one value out of points.
func gather(points []Point, v int) (s series) {
	n := 0
	for i := range points {
		n += int(points[i].Known >> v & 1)
	}
	if n == 0 {
		return s
	}
	s.numbers = make([]int64, 0, n)
	if n < len(points) {
		s.known = make([]bool, len(points))
	}
	for i := range points {
		if points[i].Known&(1<<v) == 0 {
			continue
		}
		s.numbers = append(s.numbers, points[i].Values[v])
		if s.known != nil {
			s.known[i] = true
		}
	}
	return s
}

// Decode unpacks what Encode packed. Bytes that are something else give
// ErrDamaged; whatever they are, it never takes more than MaxPoints points'
// room.
func Decode(b []byte) ([]Point, error) {
	t, err := decode(version, b)
	if err != nil {
		return nil, err
	}
	return t.points(), nil
}

func (t *table) points() []Point {
	points := make([]Point, len(t.at))
	for i := range points {
		points[i].At = t.at[i]
	}
	for v := range width {
		t.cols[v].scatter(points, v)
	}
	return points
}

func (s *series) scatter(points []Point, v int) {
	if s.numbers == nil {
		return
	}
	next := 0
	for i := range points {
		if s.known != nil && !s.known[i] {
			continue
		}
		points[i].Known |= 1 << v
		points[i].Values[v] = s.numbers[next]
		next++
	}
}
