package web

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/chart"
	"benchvigil/internal/unit"
)

// Pictures that the server draws: values in, paths out.

// A picture has this size, in its own units, and leaves room for its scales.
const (
	drawnWide  = 640
	drawnHigh  = 220
	drawnLeft  = 58
	drawnRight = 14
	drawnTop   = 10
	drawnFoot  = 26
)

// Picture is what is drawn: lines, what stands at the scales, and the same in words.
type Picture struct {
	Text    string
	X, Y    []Mark
	Lines   []Drawn
	Area    string // the limits of a curve
	Upright []Mark // moments that matter
	Dots    []Mark
}

// Mark is a place on a scale, or a moment, and its word.
type Mark struct{ At, Text string }

// Drawn is one line. Its class says which.
type Drawn struct{ Class, Path string }

// frame turns values into places.
type frame struct{ right, top float64 } // the greatest values

func (f frame) x(v float64) float64 {
	return drawnLeft + (drawnWide-drawnLeft-drawnRight)*v/f.right
}

func (f frame) y(v float64) float64 {
	return drawnHigh - drawnFoot - (drawnHigh-drawnFoot-drawnTop)*v/f.top
}

func place(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// stroke is a line under way.
type stroke struct {
	b    strings.Builder
	down bool
}

func (p *stroke) to(x, y float64) {
	letter := "L"
	if !p.down {
		letter, p.down = "M", true
	}
	p.b.WriteString(letter + place(x) + " " + place(y))
}

// Lasting is how long the runs of a hook-up last: a curve, and in words.
type Lasting struct {
	Share   string // "7 of 9 lasted 3 min 30 s"
	Limits  string // "78 %, 45 to 94 %"
	Median  string
	Picture Picture
}

// lastingOf is nil where there is no run yet.
func lastingOf(s *chart.Survival) *Lasting {
	if len(s.Runs) == 0 {
		return nil
	}
	l := Lasting{Share: shareWords(s), Limits: "too few runs to say how many will"}
	if c := s.AtWindow; c != nil {
		l.Limits = percent(c.Share) + limitWords(c.Low, c.High)
	}
	if s.MedianS != nil {
		l.Median = "half had dropped by " + span(seconds(*s.MedianS))
	}
	l.Picture = curve(s, l.Share+"; "+l.Limits)
	return &l
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// shareWords counts the runs that came to the window; those that somebody stopped
// before, or that have not come so far yet, are said apart.
func shareWords(s *chart.Survival) string {
	lasted, dropped, open := 0, 0, 0
	for _, r := range s.Runs {
		switch {
		case r.LastedS >= s.WindowS:
			lasted++
		case r.Censored:
			open++
		default:
			dropped++
		}
	}
	out := fmt.Sprintf("%d of %d lasted %s", lasted, lasted+dropped, span(seconds(s.WindowS)))
	if lasted+dropped == 0 {
		out = "None has lasted or missed " + span(seconds(s.WindowS)) + " yet"
	}
	if open > 0 {
		out += fmt.Sprintf(", %d ended otherwise or go on", open)
		if open == 1 {
			out = strings.TrimSuffix(out, "go on") + "goes on"
		}
	}
	return out
}

func percent(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }

func limitWords(low, high *float64) string {
	if low == nil || high == nil {
		return ", with no limits to give"
	}
	return fmt.Sprintf(", %.0f to %s", 100**low, percent(*high))
}

// curve draws the share of runs that stay up, with its limits, and the window.
func curve(s *chart.Survival, text string) Picture {
	f := frame{right: max(s.LastS, s.WindowS, 1) * 1.08, top: 1}
	p := Picture{Text: "How long the runs of this hook-up stay up: " + text, X: timeScale(f)}
	for _, share := range []float64{0, 0.5, 1} {
		p.Y = append(p.Y, Mark{place(f.y(share)), percent(share)})
	}
	p.Lines = []Drawn{{"lasting", stairs(f, s)}}
	p.Area = within(f, s)
	p.Upright = []Mark{{place(f.x(s.WindowS)), "window " + span(seconds(s.WindowS))}}
	for _, r := range s.Runs {
		if r.Censored {
			p.Dots = append(p.Dots, Mark{place(f.x(r.LastedS)), place(f.y(shareAt(s, r.LastedS)))})
		}
	}
	return p
}

// shareAt is the curve at a time.
func shareAt(s *chart.Survival, t float64) float64 {
	share := 1.0
	for _, step := range s.Steps {
		if step.AtS <= t {
			share = step.Share
		}
	}
	return share
}

func stairs(f frame, s *chart.Survival) string {
	var p stroke
	last := 1.0
	p.to(f.x(0), f.y(1))
	for _, step := range s.Steps {
		p.to(f.x(step.AtS), f.y(last))
		p.to(f.x(step.AtS), f.y(step.Share))
		last = step.Share
	}
	p.to(f.x(max(s.LastS, 0)), f.y(last))
	return p.b.String()
}

// within is the area between the limits: there and back. Where a step has none, it
// ends.
func within(f frame, s *chart.Survival) string {
	var there stroke
	var back []string
	for i, step := range s.Steps {
		if step.Low == nil || step.High == nil {
			break
		}
		end := s.LastS
		if i+1 < len(s.Steps) {
			end = s.Steps[i+1].AtS
		}
		there.to(f.x(step.AtS), f.y(*step.High))
		there.to(f.x(end), f.y(*step.High))
		back = append(back, "L"+place(f.x(step.AtS))+" "+place(f.y(*step.Low)), "L"+place(f.x(end))+" "+place(f.y(*step.Low)))
	}
	if len(back) == 0 {
		return ""
	}
	for i := len(back) - 1; i >= 0; i-- {
		there.b.WriteString(back[i])
	}
	return there.b.String() + "Z"
}

// timeScale is seconds, or minutes, or hours, from 0 on.
func timeScale(f frame) (out []Mark) {
	for _, step := range []float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400} {
		if f.right/step > 6.5 {
			continue
		}
		for t := 0.0; t <= f.right; t += step {
			out = append(out, Mark{place(f.x(t)), shortSpan(t)})
		}
		break
	}
	return out
}

func shortSpan(s float64) string {
	switch {
	case s == 0:
		return "0"
	case s < 60:
		return fmt.Sprintf("%.0f s", s)
	case s < 3600 && math.Mod(s, 60) != 0:
		return fmt.Sprintf("%.0f:%02.0f min", math.Floor(s/60), math.Mod(s, 60))
	case s < 3600:
		return fmt.Sprintf("%.0f min", s/60)
	case math.Mod(s, 3600) != 0:
		return fmt.Sprintf("%.0f:%02.0f h", math.Floor(s/3600), math.Mod(s, 3600)/60)
	}
	return fmt.Sprintf("%.0f h", s/3600)
}

// Starting is the last start beside known ones.
type Starting struct {
	At, Ended string
	Near      []Near
	Note      string
	Picture   Picture
}

// Near is a known start, and how far the last one is from it.
type Near struct {
	Class, Name, Kind, Distance, Parts string
}

// drawnReferences is how many known starts are drawn.
const drawnReferences = 3

func startingOf(s *chart.Signature, c clock) *Starting {
	out := Starting{At: c.at(s.At), Note: s.Note, Ended: endedWords(s)}
	lines := []*chart.Channel{&s.Current}
	for i := range s.References[:min(len(s.References), drawnReferences)] {
		r := &s.References[i]
		out.Near = append(out.Near, nearOf(r, i))
		lines = append(lines, &r.Current)
	}
	out.Picture = startPicture(lines, startText(&out))
	return &out
}

func endedWords(s *chart.Signature) string {
	after := fmt.Sprintf(" after %.1f s", s.AfterS)
	words := map[string]string{"up": "Came up", "dropped": "Dropped in the start", "stopped": "Was stopped in the start", "cut": "Is seen as far as its readings go"}
	out := cmp.Or(words[s.Ended], capital(s.Ended))
	if s.Mode != "" {
		out += " as " + s.Mode
	}
	if out += after; s.Gap {
		out += "; readings are missing, and the line ends there"
	}
	return out
}

func nearOf(r *chart.Reference, i int) Near {
	n := Near{Class: "reference-" + strconv.Itoa(i+1), Name: r.Name, Kind: r.Kind, Distance: micro(r.Distance), Parts: "goes together with it to the end"}
	if p := r.Parts; p != nil {
		n.Parts = fmt.Sprintf("parts at %.1f s: %s here, %s there", p.AtS, micro(p.Here), micro(p.There))
	}
	return n
}

func micro(v int64) string { return (unit.Current(v) * unit.Microampere).String() }

func startText(s *Starting) string {
	out := "Current of the start at " + s.At + ". " + s.Ended
	for _, n := range s.Near {
		out += ". Beside " + n.Name + " (" + n.Kind + "): " + n.Distance + " from it on average, " + n.Parts
	}
	return out
}

// startPicture draws starts over each other, the first one above all.
func startPicture(lines []*chart.Channel, text string) Picture {
	f := frame{right: 1, top: 0.05}
	for _, l := range lines {
		for i, v := range l.V {
			if v != chart.Absent {
				f.top = max(f.top, float64(v)*l.Scale*1.1)
				f.right = max(f.right, float64(l.T[i])/1000)
			}
		}
	}
	p := Picture{Text: text, X: timeScale(f), Y: ampScale(f)}
	for i := len(lines) - 1; i >= 0; i-- {
		class := "last-start"
		if i > 0 {
			class = "reference-" + strconv.Itoa(i)
		}
		p.Lines = append(p.Lines, Drawn{class, levels(f, lines[i])})
	}
	return p
}

func levels(f frame, c *chart.Channel) string {
	var p stroke
	for i, v := range c.V {
		if v == chart.Absent {
			p.down = false
			continue
		}
		p.to(f.x(float64(c.T[i])/1000), f.y(max(0, float64(v)*c.Scale)))
	}
	return p.b.String()
}

func ampScale(f frame) (out []Mark) {
	for _, step := range []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10} {
		if f.top/step > 4.5 {
			continue
		}
		for v := 0.0; v <= f.top; v += step {
			out = append(out, Mark{place(f.y(v)), micro(int64(math.Round(v * 1e6)))})
		}
		break
	}
	return out
}

// wholePicture draws the current of a chart, between its extremes: for who has no
// script.
func wholePicture(c *chart.Chart, zone *time.Location) Picture {
	f := frame{right: max(float64(c.To-c.From)/1000, 1), top: 0.05}
	p := Picture{Text: "No current was read in this time"}
	for i := range c.Channels {
		l := &c.Channels[i]
		if l.Name != chart.Amps {
			continue
		}
		least, mean, most := l.Min, l.Mean, l.Max
		if l.V != nil {
			least, mean, most = l.V, l.V, l.V
		}
		for _, v := range most {
			if v != chart.Absent {
				f.top = max(f.top, float64(v)*l.Scale*1.1)
			}
		}
		p.Text = "Current from " + clockOf(c.From, zone) + " to " + clockOf(c.To, zone)
		p.Area = bars(f, l, least, most)
		p.Lines = []Drawn{{"last-start", levels(f, &chart.Channel{Scale: l.Scale, T: l.T, V: mean})}}
	}
	p.Y = ampScale(f)
	for i := range int64(5) {
		at := c.From + (c.To-c.From)*i/4
		p.X = append(p.X, Mark{place(f.x(float64(at-c.From) / 1000)), clockOf(at, zone)})
	}
	return p
}

func clockOf(ms int64, zone *time.Location) string {
	return time.UnixMilli(ms).In(zone).Format(time.TimeOnly)
}

// bars are the columns from least to most.
func bars(f frame, l *chart.Channel, least, most chart.Values) string {
	var p stroke
	for i := range l.T {
		if least[i] == chart.Absent {
			continue
		}
		x, up, down := f.x(float64(l.T[i])/1000), f.y(max(0, float64(most[i])*l.Scale)), f.y(max(0, float64(least[i])*l.Scale))
		p.down = false
		p.to(x, up)
		p.b.WriteString("h1V" + place(down) + "h-1Z")
	}
	return p.b.String()
}
