package enroll

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/checkup"
	"benchvigil/internal/supply"
)

// patience for one answer while somebody waits: long, because it decides which
// query is watched for hours.
const answerWithin = 1500 * time.Millisecond

// supply finds the instrument and the query that it answers.
func (s *session) supply(ctx context.Context) error {
	address := s.Supply
	for {
		var err error
		if address == "" {
			if address, err = s.chooseSupply(ctx); err != nil {
				return err
			}
		}
		if address == None {
			s.say("%s", s.withoutSupply())
			return nil
		}
		err = s.trySupply(ctx, address)
		if err == nil || s.Supply != "" || s.Yes || ctx.Err() != nil {
			return err
		}
		s.say("%v", err)
		address = ""
	}
}

// withoutSupply says what is left to go by.
func (s *session) withoutSupply() string {
	if s.entry.Port == "" {
		return "Neither port nor supply: nothing is measured here, only your marks count."
	}
	return "No supply: the board is followed by its port, and by what people mark."
}

// chooseSupply lists what may be an instrument and asks.
func (s *session) chooseSupply(ctx context.Context) (string, error) {
	list := instruments(s.Root, s.sysfs, s.ports())
	for i, f := range list {
		name := ""
		if id := s.user(f.address); id != "" {
			name = "(of station " + id + ")" // a watch that runs may be asking it
		} else if f.certain {
			name = s.idn(ctx, f.address)
		}
		s.say("  %d  %s  %s", i+1, f.shown, name)
	}
	text := "Address of the supply, like tcp://192.0.2.10:5025, or none"
	if len(list) > 0 {
		text = "Number or address of the supply, or none"
	}
	a, err := s.answer(question{flag: "--supply", text: text, propose: None, help: "what measures the current of the board: tcp://HOST:PORT, serial:///dev/… or usbtmc:///dev/…; none if nothing does"})
	if n, bad := strconv.Atoi(a); bad == nil && n >= 1 && n <= len(list) {
		return list[n-1].address, err
	}
	return a, err
}

// meters are the ports of instruments: of what its kind says is one, of those
// that stations have, and of the one that is given.
func (s *session) meters() (out []string) {
	given, _, _ := strings.Cut(s.Supply, "?")
	for _, f := range instruments(s.Root, s.sysfs, nil) {
		if f.certain || f.address == given || s.user(f.address) != "" {
			out = append(out, f.port)
		}
	}
	return out
}

// user is the station that has the instrument already, "" for none.
func (s *session) user(address string) string {
	for _, st := range s.draft.Stations {
		if device, _, _ := strings.Cut(st.Address, "?"); device == address {
			return st.ID
		}
	}
	return ""
}

// ports are those of all stations, this one's included.
func (s *session) ports() (out []string) {
	for _, st := range s.draft.Stations {
		out = append(out, st.Port)
	}
	return append(out, s.entry.Port)
}

func (s *session) idn(ctx context.Context, address string) string {
	name, err := s.Ask(ctx, address, "*IDN?", answerWithin)
	if err != nil {
		return ""
	}
	return printable(strings.TrimSpace(name))
}

// trySupply makes an instrument the station's if it answers a query.
func (s *session) trySupply(ctx context.Context, address string) error {
	name, err := s.Ask(ctx, address, "*IDN?", answerWithin)
	ask, isAsk := errors.AsType[*supply.AskError](err)
	switch {
	case err != nil && !isAsk:
		return noAnswer("%w", err) // no address at all
	case isAsk && ask.Kind == supply.Unreachable:
		return notThere("%s: %w: %s", address, err, checkup.Reach(err))
	case isAsk:
		s.say("%s does not say what it is; that need not mean anything.", address)
	default:
		s.say("%s says that it is: %s", address, printable(strings.TrimSpace(name)))
	}
	way, err := s.findQuery(ctx, address)
	if err != nil {
		return err
	}
	s.entry.Address, s.entry.Query, s.entry.VoltsQuery, s.entry.AmpsQuery = address, way.query, way.volts, way.amps
	return nil
}

// way is how to ask for volts and amps.
type way struct{ query, volts, amps string }

// ways are tried in this order: one question is faster than two, and asks for
// both at one moment. All of them only measure (SCPI-1999 volume 2, MEASure).
var ways = []way{
	{query: "MEAS:VOLT?;CURR?"},
	{query: "MEAS:VOLT?;:MEAS:CURR?"},
	{volts: "MEAS:VOLT?", amps: "MEAS:CURR?"},
}

// findQuery tries which way the instrument answers.
func (s *session) findQuery(ctx context.Context, address string) (way, error) {
	var tried []string
	for _, w := range ways {
		said, err := s.tryWay(ctx, address, w)
		if err == nil {
			s.say("It answers %s: %s", w, said)
			return w, nil
		}
		tried = append(tried, fmt.Sprintf("  %s: %v", w, err))
	}
	return way{}, notThere("%s answers no measuring query:\n%s\nlook whether remote control is switched on and the baud rate is right; "+
		"its manual names the queries, which can be written into the configuration by hand", address, strings.Join(tried, "\n"))
}

func (s *session) tryWay(ctx context.Context, address string, w way) (said string, err error) {
	for _, q := range w.questions() {
		line, err := s.Ask(ctx, address, q.text, answerWithin)
		if err != nil {
			return "", err
		}
		a, err := supply.ParseAnswer(line, q.asked)
		if err != nil {
			return "", err
		}
		if a.Volts.Known() || a.Amps.Known() {
			said = strings.TrimPrefix(said+"; "+printable(line), "; ")
		}
	}
	if said == "" {
		return "", errors.New("an answer without a number in it")
	}
	return said, nil
}

type asked struct {
	text  string
	asked supply.Asked
}

func (w way) questions() []asked {
	if w.query != "" {
		return []asked{{w.query, supply.VoltsAndAmps}}
	}
	return []asked{{w.volts, supply.VoltsOnly}, {w.amps, supply.AmpsOnly}}
}

func (w way) String() string {
	if w.query != "" {
		return strconv.Quote(w.query)
	}
	return fmt.Sprintf("%q and %q", w.volts, w.amps)
}

// live shows for a moment what the watch would see.
func (s *session) live(ctx context.Context) error {
	if s.entry.Address == "" {
		return nil
	}
	p, err := supply.New(supply.Options{
		Station: s.entry.ID, Address: s.entry.Address, Query: s.entry.Query, VoltsQuery: s.entry.VoltsQuery, AmpsQuery: s.entry.AmpsQuery,
	})
	if err != nil {
		return err
	}
	s.say("Readings:")
	ctx, cancel := context.WithTimeout(ctx, s.Live)
	defer cancel()
	var shown time.Time
	_ = p.Run(ctx, func(o bench.Observation) bool { // it never returns an error
		switch f := o.Fact.(type) {
		case bench.Power:
			if o.At.Sub(shown) >= 500*time.Millisecond {
				shown = o.At
				s.say("  %s", checkup.Reading(f))
			}
		case bench.Supply:
			s.say("  %s: %s", f.Change, f.Error)
		}
		return true
	})
	n := p.Counts().Readings
	if n == 0 {
		return notThere("%s gave no reading", s.entry.Address)
	}
	s.say("%d readings in %v.", n, s.Live)
	return nil
}

// printable makes foreign bytes fit to be shown.
func printable(text string) string {
	clean := []rune(strings.ToValidUTF8(text, "?"))
	for i, r := range clean {
		if !strconv.IsPrint(r) {
			clean[i] = '?'
		}
	}
	return string(slices.Clip(clean[:min(80, len(clean))]))
}
