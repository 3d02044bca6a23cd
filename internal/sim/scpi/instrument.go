package scpi

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"benchvigil/internal/unit"
)

// Reading is what the instrument shows at one moment, and how it behaves.
type Reading struct {
	Volts     unit.Voltage
	Amps      unit.Current
	Output    bool
	SetVolts  unit.Voltage
	LimitAmps unit.Current
	Behaviour Behaviour
}

// Behaviour is how an instrument treats who asks it.
type Behaviour int

// The behaviours. The zero Behaviour answers.
const (
	Answering Behaviour = iota
	Silent              // reads, never answers
	Refusing            // closes connections, old and new
	Garbling            // answers what nobody can read
	Slow                // answers late, by Options.Lag
)

// Instrument obeys messages, whatever carries them: Listen puts one on the
// network. It is safe for several clients at once as long as its functions are.
type Instrument struct {
	idn       string
	read      func() Reading
	setOutput func(on bool)
	errors    errorQueue
}

// NewInstrument makes an instrument that is on no network. Lag is not used: who
// carries its answers makes them late.
func NewInstrument(o Options) (*Instrument, error) {
	if o.Read == nil {
		return nil, errors.New("simulate instrument: it needs readings")
	}
	return &Instrument{idn: cmp.Or(o.IDN, defaultIDN), read: o.Read, setOutput: o.SetOutput}, nil
}

// Answer treats one message, without its terminator, as the instrument behaves
// now. The answer has none either; it is empty for silence.
func (in *Instrument) Answer(message string) string { return in.answer(message, in.read()) }

func (in *Instrument) answer(message string, now Reading) string {
	if now.Behaviour == Silent || now.Behaviour == Refusing {
		return ""
	}
	answer, _ := in.obey(message, now)
	if now.Behaviour == Garbling {
		return garble(answer)
	}
	return answer
}

// command is something that the instrument can do.
type command struct {
	header []node
	query  func(in *Instrument, now Reading) string
	set    func(in *Instrument, param string) scpiError
}

// The commands and queries that are understood.
var commands = []command{
	{header: keywords("*IDN"), query: func(in *Instrument, _ Reading) string { return in.idn }},
	{header: keywords("*CLS"), set: (*Instrument).clearStatus},
	{header: keywords("MEASure[:SCALar]:VOLTage[:DC]"), query: func(_ *Instrument, now Reading) string { return decimal(int64(now.Volts)) }},
	{header: keywords("MEASure[:SCALar]:CURRent[:DC]"), query: func(_ *Instrument, now Reading) string { return decimal(int64(now.Amps)) }},
	{header: keywords("[:SOURce]:VOLTage[:LEVel]"), query: func(_ *Instrument, now Reading) string { return decimal(int64(now.SetVolts)) }},
	{header: keywords("[:SOURce]:CURRent[:LEVel]"), query: func(_ *Instrument, now Reading) string { return decimal(int64(now.LimitAmps)) }},
	{header: keywords("OUTPut[:STATe]"), query: func(_ *Instrument, now Reading) string { return flag(now.Output) }, set: (*Instrument).switchOutput},
	{header: keywords("SYSTem:ERRor[:NEXT]"), query: func(in *Instrument, _ Reading) string { return in.errors.pop().String() }},
}

// obey carries out one message and returns the answer line without its
// terminator; there is none when nothing was asked. All its measurements are of
// one moment. The first error ends the message: what was asked before it is
// still answered.
func (in *Instrument) obey(message string, now Reading) (answer string, ok bool) {
	if strings.TrimSpace(message) == "" {
		return "", false
	}
	var answers []string
	for _, r := range parseMessage(message) {
		a, err := in.do(r, now)
		if err != noError {
			in.errors.push(err)
			break
		}
		if r.query {
			answers = append(answers, a)
		} else {
			now = in.read() // a command may have changed it
		}
	}
	return strings.Join(answers, ";"), len(answers) > 0
}

// do carries out one request.
func (in *Instrument) do(r request, now Reading) (answer string, err scpiError) {
	for _, c := range commands {
		switch {
		case !matches(c.header, r.words):
		case r.query && c.query != nil && r.param != "":
			return "", paramNotAllowed
		case r.query && c.query != nil:
			return c.query(in, now), noError
		case !r.query && c.set != nil:
			return "", c.set(in, r.param)
		}
	}
	return "", undefinedHeader
}

func (in *Instrument) clearStatus(param string) scpiError {
	if param != "" {
		return paramNotAllowed
	}
	in.errors.clear()
	return noError
}

// switchOutput obeys OUTP ON|OFF|1|0. An instrument without a switch does not
// know the header.
func (in *Instrument) switchOutput(param string) scpiError {
	if in.setOutput == nil {
		return undefinedHeader
	}
	switch strings.ToUpper(param) {
	case "ON", "1":
		in.setOutput(true)
	case "OFF", "0":
		in.setOutput(false)
	case "":
		return missingParameter
	default:
		return illegalParameter
	}
	return noError
}

// decimal prints millionths as NR2 (IEEE 488.2, 8.7.3), losing nothing.
func decimal(micro int64) string {
	sign := ""
	if micro < 0 {
		sign, micro = "-", -micro
	}
	return fmt.Sprintf("%s%d.%06d", sign, micro/1_000_000, micro%1_000_000)
}

func flag(on bool) string {
	if on {
		return "1"
	}
	return "0"
}
