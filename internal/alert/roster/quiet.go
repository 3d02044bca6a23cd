package roster

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Clock is a time of day in minutes after midnight, from 00:00 to 24:00.
type Clock int

const dayEnd Clock = 24 * 60

// String gives it as people write it, 07:05.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", c/60, c%60) }

// Span is a time of day that comes again: quiet hours, for one. It is that of the
// wall clock, so on the days on which the clocks change it is an hour shorter or
// longer.
type Span struct {
	From, To Clock          // To before From: until the next day
	Days     []time.Weekday // on which it begins; none: every day
}

var dayNames = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseSpan reads "22:00-07:00", on some days "mon-fri 22:00-07:00" or
// "sat,sun 00:00-24:00": the days are those on which it begins.
func ParseSpan(text string) (s Span, err error) {
	hours := text
	if days, rest, ok := strings.Cut(text, " "); ok {
		hours = rest
		if s.Days, err = parseDays(days); err != nil {
			return Span{}, fmt.Errorf("%q: %w", text, err)
		}
	}
	from, to, _ := strings.Cut(hours, "-")
	if s.From, err = parseClock(from); err != nil {
		return Span{}, fmt.Errorf("%q: %w", text, err)
	}
	if s.To, err = parseClock(to); err != nil {
		return Span{}, fmt.Errorf("%q: %w", text, err)
	}
	if err := s.check(); err != nil {
		return Span{}, err
	}
	return s, nil
}

func parseClock(text string) (Clock, error) {
	if text == dayEnd.String() {
		return dayEnd, nil
	}
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time of day: want two of them as in 22:00-07:00", text)
	}
	return Clock(t.Hour()*60 + t.Minute()), nil
}

func parseDays(text string) (out []time.Weekday, err error) {
	for part := range strings.SplitSeq(text, ",") {
		first, last, several := strings.Cut(part, "-")
		if !several {
			last = first
		}
		from, to := slices.Index(dayNames, first), slices.Index(dayNames, last)
		if from < 0 || to < 0 {
			return nil, fmt.Errorf("%q are not days: want mon to sun, as in mon-fri or sat,sun", part)
		}
		for d := from; ; d = (d + 1) % len(dayNames) {
			if !slices.Contains(out, time.Weekday(d)) {
				out = append(out, time.Weekday(d))
			}
			if d == to {
				break
			}
		}
	}
	return out, nil
}

// String gives the form that ParseSpan reads.
func (s Span) String() string {
	hours := s.From.String() + "-" + s.To.String()
	if len(s.Days) == 0 {
		return hours
	}
	var days []string
	for _, d := range s.Days {
		days = append(days, dayNames[d])
	}
	return strings.Join(days, ",") + " " + hours
}

func (s Span) check() error {
	switch {
	case s.From < 0 || s.From >= dayEnd:
		return fmt.Errorf("%s begins at no time of a day: want 00:00 to 23:59", s)
	case s.To < 0 || s.To > dayEnd:
		return fmt.Errorf("%s ends at no time of a day: want 00:00 to 24:00", s)
	case s.From == s.To:
		return fmt.Errorf("%s begins when it ends: a whole day is 00:00-24:00", s)
	}
	for _, d := range s.Days {
		if d < time.Sunday || d > time.Saturday {
			return fmt.Errorf("%s-%s: %d is no day of the week", s.From, s.To, int(d))
		}
	}
	return nil
}

// end is when the span that holds a moment ends; zero where none does.
func (s Span) end(t time.Time) time.Time {
	for _, ago := range []int{0, 1} {
		y, m, d := t.Date()
		day := time.Date(y, m, d-ago, 12, 0, 0, 0, t.Location()) // noon is on every day
		if len(s.Days) > 0 && !slices.Contains(s.Days, day.Weekday()) {
			continue
		}
		last := d - ago
		if s.To < s.From {
			last++
		}
		from := time.Date(y, m, d-ago, 0, int(s.From), 0, 0, t.Location())
		to := time.Date(y, m, last, 0, int(s.To), 0, 0, t.Location())
		if !t.Before(from) && t.Before(to) {
			return to
		}
	}
	return time.Time{}
}

// awake is the first moment from t on that is in none of the spans; false where
// there is none.
func awake(spans []Span, t time.Time) (time.Time, bool) {
	const week = 8 * 24 * time.Hour // and a day more
	for start := t; t.Sub(start) <= week; {
		end := time.Time{}
		for _, s := range spans {
			if e := s.end(t); e.After(end) {
				end = e
			}
		}
		if end.IsZero() {
			return t, true
		}
		t = end
	}
	return time.Time{}, false
}
