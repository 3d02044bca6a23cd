package supply

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
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
	Channel string // what it measures: empty for the board's supply, bench.ChannelVBUS, bench.ChannelThermometer
	Address string // as in transports: "tcp://host:port", "serial:///dev/…?baud=9600", "usbtmc:///dev/usbtmc0"
	Links   *Links // shares the connection with others at the same Address; nil: shares none

	Query      string // compound, answers volts then amps; default DefaultQuery
	VoltsQuery string // single queries, instead of Query; one may be empty
	AmpsQuery  string

	// Optional state, asked once a second; the answers ride on the next reading.
	OutputQuery   string // such as "OUTP?"
	SetVoltsQuery string // such as "VOLT?"
	LimitQuery    string // such as "CURR?"

	TemperatureQuery string // degrees Celsius beside the board, asked once a second; default not asked

	// Select is written before each question, where an instrument has one set of
	// queries for all its outputs: "INST:NSEL 2". Nothing else can be written.
	Select string

	// Pattern reads the lines of a meter that is not asked: see ParsePattern. It
	// stands instead of all queries and of Every; Timeout is then the longest
	// silence, by default DefaultSilence.
	Pattern string

	Every   time.Duration // from reading to reading; default 100 ms, at least 10 ms
	Timeout time.Duration // for each answer; default 500 ms

	Now    func() time.Time // stamps observations; default time.Now
	Logger *zap.Logger      // default none
	Dial   Dial             // default: the way that Address means
}

// withDefaults fills in what was left out.
func (o Options) withDefaults() Options {
	if o.Name == "" {
		o.Name = o.Station
	}
	if o.Pattern == "" && o.Query == "" && o.VoltsQuery == "" && o.AmpsQuery == "" {
		o.Query = DefaultQuery
	}
	if o.Every == 0 {
		o.Every = DefaultEvery
	}
	if o.Timeout == 0 && o.Pattern != "" {
		o.Timeout = DefaultSilence
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
	switch o.Channel {
	case "", bench.ChannelVBUS, bench.ChannelThermometer:
	default:
		errs = append(errs, fmt.Errorf("channel is %q, must be empty, %s or %s", o.Channel, bench.ChannelVBUS, bench.ChannelThermometer))
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
	if err := o.validatePattern(); err != nil {
		errs = append(errs, err)
	}
	if err := checkSelect(o.Select); err != nil {
		errs = append(errs, err)
	}
	for _, q := range []struct{ key, text string }{
		{"query", o.Query},
		{"volts_query", o.VoltsQuery},
		{"amps_query", o.AmpsQuery},
		{"output_query", o.OutputQuery},
		{"set_volts_query", o.SetVoltsQuery},
		{"limit_query", o.LimitQuery},
		{"temperature_query", o.TemperatureQuery},
	} {
		if err := checkQuery(q.text); err != nil {
			errs = append(errs, fmt.Errorf("%s %q: %w", q.key, q.text, err))
		}
	}
	return errors.Join(errs...)
}

// validatePattern checks that what is listened to fits what it is for.
func (o Options) validatePattern() error {
	if o.Pattern == "" {
		if o.Channel == bench.ChannelThermometer {
			return errors.New("a thermometer needs a pattern")
		}
		return nil
	}
	asks := o.Query + o.VoltsQuery + o.AmpsQuery + o.OutputQuery + o.SetVoltsQuery + o.LimitQuery + o.TemperatureQuery + o.Select
	p, err := ParsePattern(o.Pattern)
	switch {
	case err != nil:
		return fmt.Errorf("pattern %q: %w", o.Pattern, err)
	case asks != "":
		return errors.New("a pattern and queries exclude each other")
	case o.Channel == bench.ChannelThermometer && (p.Power() || !p.Celsius()):
		return fmt.Errorf("pattern %q: a thermometer's must have the group celsius and no other", o.Pattern)
	case o.Channel != bench.ChannelThermometer && !p.Power():
		return fmt.Errorf("pattern %q: no group tells volts or amps", o.Pattern)
	}
	return nil
}

// selects are the commands that choose an output and do nothing else: SCPI-1999
// volume 2, 10 "INSTrument": [:SELect] and :NSELect (section from memory).
var selects = regexp.MustCompile(`(?i)^:?INST(RUMENT)?(:SEL(ECT)?|:NSEL(ECT)?)? [A-Z0-9_]{1,16}$`)

// checkSelect refuses a select command that could do more than choose which
// output is asked: switch one, or set volts or amperes. Empty is none.
func checkSelect(text string) error {
	if text != "" && !selects.MatchString(text) {
		return fmt.Errorf("select %q: only INST:SEL NAME and INST:NSEL NUMBER can be written to an instrument", text)
	}
	return nil
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

// word names the instrument by its channel.
func (o Options) word() string {
	switch o.Channel {
	case bench.ChannelVBUS:
		return "vbus meter"
	case bench.ChannelThermometer:
		return "thermometer"
	}
	return "supply"
}
