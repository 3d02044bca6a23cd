package supply_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/supply"
)

func TestAsk(t *testing.T) {
	in := newInstrument(t)
	for query, want := range map[string]string{
		"*IDN?":             "", // whatever the simulation calls itself
		"MEAS:VOLT?;CURR?":  "3.801000;0.412000",
		"MEAS:CURR?":        "0.412000",
		"MEAS:VOLT?;:OUTP?": "3.801000;1",
	} {
		got, err := supply.Ask(t.Context(), "tcp://"+in.addr, query, time.Minute)
		if err != nil || got == "" || want != "" && got != want {
			t.Errorf("Ask(%q) = %q, %v, want %q", query, got, err, want)
		}
	}
}

func TestAskGetsNoAnswer(t *testing.T) {
	in := newInstrument(t)
	for _, tc := range []struct {
		name      string
		behaviour scpi.Behaviour
		query     string
		kind      supply.Failure
		words     string
	}{
		{"silent", scpi.Silent, "*IDN?", supply.Silent, `no answer to "*IDN?" within 50ms`},
		{"unknown query", scpi.Answering, "MEAS:TEMP?", supply.Silent, "no answer"},
		{"refusing", scpi.Refusing, "*IDN?", supply.Broken, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in.behave(tc.behaviour)
			_, err := supply.Ask(t.Context(), in.addr, tc.query, 50*time.Millisecond)
			ask, ok := errors.AsType[*supply.AskError](err)
			if !ok || ask.Kind != tc.kind || !strings.Contains(err.Error(), tc.words) || ask.Unwrap() == nil {
				t.Errorf("got %v, want %s with %q", err, tc.kind, tc.words)
			}
		})
	}
}

func TestAskNobody(t *testing.T) {
	in := newInstrument(t)
	in.stop()
	defer in.start() // for the cleanup
	_, err := supply.Ask(t.Context(), in.addr, "*IDN?", time.Second)
	ask, ok := errors.AsType[*supply.AskError](err)
	if !ok || ask.Kind != supply.Unreachable {
		t.Errorf("got %v, want unreachable", err)
	}
}

// Nothing is sent that could act, and nowhere that is no address.
func TestAskRefuses(t *testing.T) {
	for _, tc := range []struct{ address, query string }{
		{"127.0.0.1:1", "OUTP OFF"},
		{"127.0.0.1:1", "*RST"},
		{"127.0.0.1:1", "MEAS:VOLT?;OUTP OFF"},
		{"127.0.0.1:1", ""},
		{"nowhere://x", "*IDN?"},
	} {
		if _, err := supply.Ask(t.Context(), tc.address, tc.query, time.Second); err == nil || errors.As(err, new(*supply.AskError)) {
			t.Errorf("Ask(%q, %q): %v, want a refusal", tc.address, tc.query, err)
		}
	}
}

func TestAskEndsWithItsContext(t *testing.T) {
	in := newInstrument(t)
	in.behave(scpi.Silent)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	if _, err := supply.Ask(ctx, in.addr, "*IDN?", time.Hour); err == nil {
		t.Error("an answer from a silent instrument")
	}
}
