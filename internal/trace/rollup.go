package trace

// Span is the least, mean and greatest of a value within a second.
type Span struct {
	Known          bool
	Min, Mean, Max int64 // µV or µA; the mean to a tenth of the resolution
}

// Rollup sums up one second of readings.
type Rollup struct {
	At    int64 // Unix ms, a full second
	Count int64 // readings
	Volts Span
	Amps  Span
}

// Rollups sums up readings in order of time, one for each second in which there
// was one.
func Rollups(points []Point) (out []Rollup) {
	tenths := [2]int64{tenth(points, Volts), tenth(points, Amps)}
	for len(points) > 0 {
		second := floor(points[0].At)
		n := 1
		for n < len(points) && floor(points[n].At) == second {
			n++
		}
		out = append(out, Rollup{
			At: second, Count: int64(n),
			Volts: span(points[:n], Volts, tenths[0]), Amps: span(points[:n], Amps, tenths[1]),
		})
		points = points[n:]
	}
	return out
}

func floor(ms int64) int64 {
	s := ms / 1000
	if ms < 0 && s*1000 != ms {
		s--
	}
	return s * 1000
}

// tenth is a tenth of a value's resolution, 1 at least.
func tenth(points []Point, v int) int64 {
	s := gather(points, v)
	if len(s.numbers) == 0 {
		return 1
	}
	return max(resolution(s.numbers)/10, 1)
}

func span(points []Point, v int, tenth int64) (s Span) {
	var sum float64
	n := 0
	for i := range points {
		if points[i].Known&(1<<v) == 0 {
			continue
		}
		x := points[i].Values[v]
		if n == 0 {
			s = Span{Known: true, Min: x, Max: x}
		}
		s.Min, s.Max = min(s.Min, x), max(s.Max, x)
		n++
		sum += float64(x - points[0].Values[v])
	}
	if n > 0 {
		above := sum/float64(n) + float64(points[0].Values[v]-s.Min)
		s.Mean = s.Min + int64(above/float64(tenth)+0.5)*tenth
		s.Mean = min(max(s.Mean, s.Min), s.Max)
	}
	return s
}

// The columns of packed roll-ups: three for volts, three for amperes, one for
// the count.
const (
	rollAmps  = 3
	rollCount = 6
)

// EncodeRollups packs roll-ups, which must be in order of time.
func EncodeRollups(rs []Rollup) ([]byte, error) {
	t := table{at: make([]int64, len(rs))}
	points := make([]Point, len(rs))
	for i, r := range rs {
		t.at[i] = r.At
		points[i] = Point{Values: [width]int64{0: r.Count}, Known: 1}
	}
	t.cols[rollCount] = gather(points, 0)
	packSpans(&t, 0, points, func(i int) Span { return rs[i].Volts })
	packSpans(&t, rollAmps, points, func(i int) Span { return rs[i].Amps })
	return encode(versionRollup, &t)
}

func packSpans(t *table, col int, points []Point, of func(int) Span) {
	for i := range points {
		points[i] = Point{}
		if s := of(i); s.Known {
			points[i] = Point{Known: 7, Values: [width]int64{s.Min, s.Max - s.Min, s.Mean - s.Min}}
		}
	}
	for v := range 3 {
		t.cols[col+v] = gather(points, v)
	}
}

// DecodeRollups unpacks what EncodeRollups packed; see Decode.
func DecodeRollups(b []byte) ([]Rollup, error) {
	t, err := decode(versionRollup, b)
	if err != nil {
		return nil, err
	}
	return t.rollups(), nil
}

func (t *table) rollups() []Rollup {
	out := make([]Rollup, len(t.at))
	points := make([]Point, len(t.at))
	t.cols[rollCount].scatter(points, 0)
	for i := range out {
		out[i].At, out[i].Count = t.at[i], points[i].Values[0]
	}
	unpackSpans(t, 0, points, func(i int) *Span { return &out[i].Volts })
	unpackSpans(t, rollAmps, points, func(i int) *Span { return &out[i].Amps })
	return out
}

func unpackSpans(t *table, col int, points []Point, to func(int) *Span) {
	clear(points)
	for v := range 3 {
		t.cols[col+v].scatter(points, v)
	}
	for i := range points {
		if points[i].Known == 7 {
			v := points[i].Values
			*to(i) = Span{Known: true, Min: v[0], Max: v[0] + v[1], Mean: v[0] + v[2]}
		}
	}
}
