package states

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Alert is one of a point, in a state, raised so long before Night.
func Alert(p bench.AlertPoint, s bench.Severity, state bench.AlertState, age time.Duration, title string) bench.AlertView {
	v := bench.AlertView{
		Alert: bench.Alert{
			Key: p.KeyAt(Ago(age)), Kind: p.Kind, Rule: p.Rule, Station: p.Station, Severity: s, Title: title, Since: Ago(age),
			Text: "Nothing runs there since 02:58:04, and the window of 3 min 30 s is missed.", Do: "Look at the connector, then start it again.",
			Why: []string{"0.00 mA for 0.2 s, 412 mA just before", "the supply holds 3.80 V"},
		},
		State: state, Changed: Ago(age), Raised: Ago(age), Stands: true,
	}
	switch state {
	case bench.AlertAcknowledged, bench.AlertOutOfService:
		v.By = "kim"
	case bench.AlertShelved:
		v.By, v.Until = "lee", Night.Add(12*time.Minute)
	case bench.AlertSuppressed:
		v.Until = Night.Add(6*time.Minute + 48*time.Second)
	case bench.AlertReturned:
		v.Stands, v.Returned = false, Ago(age/2)
	case bench.AlertNormal, bench.AlertUnacknowledged:
	}
	return v
}

// Alerts are all states in which one can be.
func Alerts() []bench.AlertView {
	at := func(station string, k bench.AlertKind) bench.AlertPoint {
		return bench.AlertPoint{Station: station, Kind: k}
	}
	down := Alert(at("s-2", bench.AlertDropped), bench.Danger, bench.AlertUnacknowledged, 8*time.Second, "Finch 3, bent: dropped (died) 02:58:04")
	down.Amps, down.Before = unit.Some(unit.Current(0)), unit.Some(412*unit.Milliampere)
	hub := Alert(at("", bench.AlertHubLost), bench.Caution, bench.AlertUnacknowledged, 40*time.Second, "Bench: hub 1-3 lost 2 stations 02:57:32")
	hub.Others = []string{"s-12", "s-13"}
	risk := Alert(at("s-2", bench.AlertAtRisk), bench.Caution, bench.AlertUnacknowledged, 4*time.Minute, "Finch 3, bent: window at risk 02:54:12")
	reached := Alert(at("s-2", bench.AlertGoalDone), bench.Notice, bench.AlertReturned, 20*time.Minute, "Finch 3, bent: goal reached 02:38:12")
	reached.Passing = true
	met := Alert(at("s-6", bench.AlertWindowMet), bench.Notice, bench.AlertReturned, 8*time.Minute, "Wren 9: window met 02:50:12")
	met.Passing = true
	draw := Alert(bench.AlertPoint{Station: "s-1", Kind: bench.AlertDraw, Rule: "high-idle"}, bench.Caution, bench.AlertOutOfService, 26*time.Hour, "Wren 7: draw high-idle 1 Mar 00:58:12")
	return []bench.AlertView{
		Alert(at("s-4", bench.AlertStalled), bench.Danger, bench.AlertAcknowledged, 25*time.Minute, "Martin 12, burnt: stalled 02:33:12"),
		down,
		Alert(at("s-7", bench.AlertDropped), bench.Danger, bench.AlertReturned, 3*time.Minute, "Robin 2, no sensors: dropped (reset) 02:55:12"),
		Alert(at("s-5", bench.AlertSupplyLost), bench.Caution, bench.AlertShelved, 64*time.Second, "Right, battery rig: no readings 02:57:08"),
		Alert(at("s-10", bench.AlertStartHung), bench.Caution, bench.AlertUnacknowledged, 2*time.Minute, "Heron 4, case 2417: start hangs 02:56:12"),
		Alert(at("s-22", bench.AlertDrifting), bench.Caution, bench.AlertSuppressed, 2*time.Minute, "Plover 4: current drifts 02:56:12"),
		met, hub, draw, risk, reached,
		Alert(at("s-1", bench.AlertLate), bench.Notice, bench.AlertNormal, time.Hour, "over and seen to"),
	}
}

// Outlets are the ways to people: well, failing, not used.
func Outlets() []bench.OutletView {
	return []bench.OutletView{
		{Name: "phones", Kind: "web-push", Sent: Ago(7 * time.Second), Delivered: 41, Failed: 2},
		{Name: "mail", Kind: "email", Failing: Ago(9 * time.Minute), Error: "dial tcp: lookup mail.example: no such host", Sent: Ago(3 * time.Hour), Delivered: 12, Failed: 9, Waiting: 3, GivenUp: 1},
		{Name: "hook", Kind: "webhook"},
	}
}
