package supply

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"
)

// Defaults and floors.
const (
	DefaultQuery   = "MEAS:VOLT?;CURR?"
	DefaultEvery   = 100 * time.Millisecond
	MinEvery       = 10 * time.Millisecond
	DefaultTimeout = 500 * time.Millisecond
	MinTimeout     = 10 * time.Millisecond
)

// Options say which instrument to ask, what, and how often. The zero value of
// a field means its default; Station and one of Address and Dial are required.
type Options struct {
	Station string // the station's ID, stamped on every observation
	Name    string // what people call the supply, for logs; default Station
	Address string // "tcp://host:port" or "host:port"; port 5025 when left out

	Query      string // compound, answers volts then amps; default DefaultQuery
	VoltsQuery string // single queries, instead of Query; one may be empty
	AmpsQuery  string

	// Optional state, asked once a second; the answers ride on the next reading.
	OutputQuery   string // such as "OUTP?"
	SetVoltsQuery string // such as "VOLT?"
	LimitQuery    string // such as "CURR?"

	Every   time.Duration // from reading to reading; default 100 ms, at least 10 ms
	Timeout time.Duration // for each answer; default 500 ms

	Now    func() time.Time // stamps observations; default time.Now
	Logger *zap.Logger      // default none
	Dial   Dial             // default: TCP to Address
}

// withDefaults fills in what was left out.
func (o Options) withDefaults() Options {
	if o.Name == "" {
		o.Name = o.Station
	}
	if o.Query == "" && o.VoltsQuery == "" && o.AmpsQuery == "" {
		o.Query = DefaultQuery
	}
	if o.Every == 0 {
		o.Every = DefaultEvery
	}
	if o.Timeout == 0 {
		o.Timeout = DefaultTimeout
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	return o
}

// validate checks options whose defaults are filled in.
func (o Options) validate() error {
	var errs []error
	if o.Station == "" {
		errs = append(errs, errors.New("station is missing"))
	}
	if o.Every < MinEvery {
		errs = append(errs, fmt.Errorf("every is %v, must be at least %v", o.Every, MinEvery))
	}
	if o.Timeout < MinTimeout {
		errs = append(errs, fmt.Errorf("timeout is %v, must be at least %v", o.Timeout, MinTimeout))
	}
	if o.Query != "" && (o.VoltsQuery != "" || o.AmpsQuery != "") {
		errs = append(errs, errors.New("query and volts_query or amps_query exclude each other"))
	}
	if voltsAfterAmps(o.Query) {
		errs = append(errs, fmt.Errorf("query %q must ask for volts before amps", o.Query))
	}
	for _, q := range []struct{ key, text string }{
		{"query", o.Query},
		{"volts_query", o.VoltsQuery},
		{"amps_query", o.AmpsQuery},
		{"output_query", o.OutputQuery},
		{"set_volts_query", o.SetVoltsQuery},
		{"limit_query", o.LimitQuery},
	} {
		if err := checkQuery(q.text); err != nil {
			errs = append(errs, fmt.Errorf("%s %q: %w", q.key, q.text, err))
		}
	}
	return errors.Join(errs...)
}

func voltsAfterAmps(query string) bool {
	q := strings.ToUpper(query)
	volts, amps := strings.Index(q, "VOLT"), strings.Index(q, "CURR")
	return volts >= 0 && amps >= 0 && amps < volts
}

// maxQuery bounds a query in bytes; instruments' input buffers are small.
const maxQuery = 255

// checkQuery refuses what would do anything but ask: a command slipped into a
// query would act on a board's power ten times a second.
func checkQuery(q string) error {
	if q == "" {
		return nil
	}
	if len(q) > maxQuery {
		return fmt.Errorf("longer than %d bytes", maxQuery)
	}
	for i := range len(q) {
		if q[i] < ' ' || q[i] > '~' {
			return errors.New("only printable ASCII can be sent")
		}
	}
	for part := range strings.SplitSeq(q, ";") {
		header, _, _ := strings.Cut(strings.TrimSpace(part), " ")
		if len(header) < 2 || !strings.HasSuffix(header, "?") {
			return fmt.Errorf("%q does not ask anything: each part must be a query ending in \"?\"", strings.TrimSpace(part))
		}
	}
	return nil
}
