package supply

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// stateEvery is how often each state query is asked.
const stateEvery = time.Second

// patience is how many failures in a row end a query that was answered before;
// one that never was is dropped after the first.
const patience = 3

// optional is a query that an instrument may not know. A failure counts against
// the query only when a reading works afterwards: else the instrument as a
// whole is silent, and nothing was learned about the query.
type optional struct {
	query    string
	due      time.Time
	answered bool // at least once
	failures int  // in a row, confirmed by readings that worked
	suspect  bool // the last failure is not confirmed yet
	dropped  bool // no longer asked
}

// wanted reports whether the query is to be asked now.
func (o *optional) wanted(now time.Time) bool {
	return o.query != "" && !o.dropped && !o.suspect && !now.Before(o.due)
}

func (o *optional) succeeded() { o.answered, o.failures = true, 0 }

func (o *optional) failed() { o.suspect = true }

// settle takes the outcome of the next reading, and reports whether the query
// was dropped just now.
func (o *optional) settle(readingWorked bool) (dropped bool) {
	if !o.suspect {
		return false
	}
	o.suspect = false
	if !readingWorked {
		return false
	}
	o.failures++
	o.dropped = !o.answered || o.failures >= patience
	return o.dropped
}

// stateQuery is an optional query whose answer rides on the next reading.
type stateQuery struct {
	optional
	take func(line string, r *riding) error
}

// riding is state that waits for the next reading.
type riding struct {
	bench.Power
	Celsius unit.Maybe[unit.Temperature]
}

// stateQueries lists what the options ask for.
func stateQueries(o Options) []*stateQuery {
	all := []*stateQuery{
		{optional{query: o.OutputQuery}, takeOutput},
		{optional{query: o.SetVoltsQuery}, takeSetVolts},
		{optional{query: o.LimitQuery}, takeLimit},
		{optional{query: o.TemperatureQuery}, takeTemperature},
	}
	var asked []*stateQuery
	for _, q := range all {
		if q.query != "" {
			asked = append(asked, q)
		}
	}
	return asked
}

func takeOutput(line string, r *riding) error {
	on, err := parseSwitch(line)
	if err == nil {
		r.Output = unit.Some(on)
	}
	return err
}

func takeSetVolts(line string, r *riding) error {
	a, err := ParseAnswer(line, VoltsOnly)
	r.SetVolts = a.Volts
	return err
}

func takeLimit(line string, r *riding) error {
	a, err := ParseAnswer(line, AmpsOnly)
	r.LimitAmps = a.Amps
	return err
}

func takeTemperature(line string, r *riding) (err error) {
	r.Celsius, _, err = parseNumber(line, unit.ParseCelsius)
	return err
}
