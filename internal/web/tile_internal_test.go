package web

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// tileNow is the tile as seen in UTC, without its drawing.
func tileNow(s bench.Snapshot) Tile {
	t := tileOf(&s, time.UTC, false)
	t.Shape = Sparkline{}
	return t
}

// The whole of one tile; the rest of the tests look at what differs.
func TestTile(t *testing.T) {
	want := Tile{
		Station: "s", Name: "Wren 7, water damage", Severity: Normal, State: "Up",
		Mode: "Running", ModeFor: "for 2 min 00 s",
		Uptime: "2 min 23 s", Since: "since 02:55:49",
		Wait: "Window", Window: "2 min 03 s of 3 min 30 s", Until: "ends", End: "02:59:39", Left: "1 min 27 s", Done: "58.6",
		Amps: "412 mA", Volts: "3.801 V",
		USB: "USB port 1-2: 1209:0004 since 02:56:12, serial WREN7-0042",
		Events: []Line{
			{At: "02:56:09", Text: "Running, after starting", Why: "1209:0004 on USB and 412 mA flows"},
			{At: "02:55:49", Text: "Starting, after standby"},
			{At: "02:55:49", Text: "Run started", Why: "602 mA flows"},
			{At: "02:55:42", Text: "Standby, after off"},
		},
		Counts: "No drops",
		Marks:  &Marks{Stop: true},
	}
	if diff := cmp.Diff(want, tileNow(running()), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// judged is what is most urgent of a tile.
type judged struct {
	Severity Severity
	State    string
	Troubles []string
	Notes    []string
}

func judgedOf(t Tile) judged {
	j := judged{Severity: t.Severity, State: t.State}
	for _, x := range t.Troubles {
		j.Troubles = append(j.Troubles, x.Text)
	}
	for _, x := range t.Notes {
		j.Notes = append(j.Notes, x.Text)
	}
	return j
}

func TestJudgement(t *testing.T) {
	want := map[string]judged{
		"running":   {Normal, "Up", nil, nil},
		"dropped":   {Danger, "Dropped", []string{"Dropped at 02:58:04 after 3 min 03 s, stayed off. Window missed."}, nil},
		"restoring": {Normal, "Window met", nil, nil},
		"stalled":   {Abnormal, "Stalled", []string{"Nothing has moved since 02:31:07, for 27 min 05 s."}, nil},
		"supply lost": {Action, "No readings", []string{
			"No good reading since 02:57:08; the run goes on unproven: read tcp 192.0.2.10:5025: i/o timeout.",
		}, nil},
		"window met":     {Normal, "Window met", nil, nil},
		"up again":       {Abnormal, "Up again", []string{"The run before dropped at 02:55:12 after 3 min 01 s, came back by itself. Window missed."}, nil},
		"drop suspected": {Danger, "Drop?", []string{"It looks like a drop, not certain yet."}, nil},
		"start hung":     {Abnormal, "Start hung", []string{"It has been starting for 4 min 02 s: too long."}, nil},
		"starting":       {Normal, "Up", nil, nil},
		"battery":        {Normal, "Up", nil, nil},
		"USB lost":       {Action, "No USB", []string{"The USB watch has failed since 02:57:41: read the USB tree: permission denied."}, nil},
		"loader":         {Normal, "Up", nil, nil},
		"off":            {Neutral, "No run", nil, nil},
		"stopped":        {Neutral, "Stopped", nil, []string{"Stopped at 02:18:12 after 1 h 20 min."}},
		"standby":        {Neutral, "No run", nil, nil},
		"not heard yet":  {Neutral, "No run", nil, nil},
		"re-pairing":     {Normal, "Window met", nil, []string{`The supply complains: -113,"Undefined header".`}},
		"no port":        {Normal, "Up", nil, nil},
		"asleep, dropped once": {Normal, "Window met", nil, []string{
			"The run before dropped at 1 Mar 16:57:42 after 44 s, the supply sagged or hit its limit. Window missed.",
		}},
		"hands on":             {Normal, "Up", nil, nil},
		"fed by the bus too":   {Normal, "Up", nil, []string{"Output off does not mean off: USB bus power feeds this board."}},
		"stopped, not off yet": {Action, "Still powered", []string{"Nobody watches this board, and it has power. Stopped at 02:58:02 after 1 min 50 s."}, nil},
		"goal armed":           {Normal, "Window met", nil, nil},
		"copy armed":           {Normal, "Window met", nil, nil},
		"armed before power":   {Neutral, "No run", nil, nil},
		"goal done":            {Normal, "Done", nil, []string{"Stay 8h: done at 02:57:12."}},
		"will it last":         {Normal, "Up", nil, nil},
		"up again at once":     {Abnormal, "Up again", []string{"The run before dropped at 02:55:48 after 3 min 01 s, up again after 1 s. Window missed."}, nil},
		"a timer":              {Abnormal, "Up again", []string{"The run before dropped at 02:56:12 after 3 min 01 s, came back by itself. Window missed."}, nil},
		"time still needed":    {Normal, "Window met", nil, nil},
		"leak":                 {Abnormal, "Leak", []string{"Before it is started it draws more than a healthy board, since 02:56:32: 26.00 mA now."}, nil},
		"current wrong in three ways": {Abnormal, "High current", []string{
			"Above the limit of this mode since 02:58:03: 1.512 A now.",
			"The supply sat at its current limit and the volts sagged at 02:58:08: 1.512 A now.",
			"The current has left its own level, told at 02:57:12: 1.512 A now.",
		}, nil},
		"goal missed":             {Abnormal, "Goal missed", []string{"Reach running within 2h: missed at 02:57:12: not running within 2 h 0 min."}, nil},
		"goal ended":              {Normal, "Up", nil, []string{"Copy: ended at 02:57:12: kim marked a stop."}},
		"goal forgotten":          {Action, "Goal not armed", []string{"Reach running within 2h was armed before benchvigil was restarted, at 01:58:12: arm it again."}, nil},
		"cable out":               {Abnormal, "USB gone", []string{"USB gone since 02:57:32, the current still flows: is the cable out?"}, nil},
		"stopped, off not seen":   {Neutral, "Stopped", nil, []string{"Stopped at 02:57:12 after 1 h 20 min."}},
		"not watched for a while": {Normal, "Window met", nil, []string{"Not watched for 15 min 00 s until 02:48:12, while benchvigil was stopped: it runs under another device number."}},
		"recovery":                {Normal, "Up", nil, nil},
		"mode not known":          {Normal, "Up", nil, nil},
		"long names":              {Normal, "Window met", nil, nil},
		"no news":                 {Normal, "Up", nil, nil},
		"led by marks":            {Normal, "Up", nil, []string{"Led by marks and the clock: there is neither a supply nor a USB port to watch."}},
		"window over, not proven": {Action, "No readings", []string{
			"No good reading since 02:57:12; the run goes on unproven.", "The USB watch has failed since 02:57:12.",
		}, nil},
	}
	got := map[string]judged{}
	for _, c := range allStates() {
		got[c.what] = judgedOf(tileNow(c.s))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// When several things are wrong, the most urgent one is at the head and all
// are told.
func TestMostUrgentFirst(t *testing.T) {
	s := changed(running(), func(s *bench.Snapshot) {
		s.SupplyLost, s.Stalled = ago(10*time.Second), ago(5*time.Minute)
		s.Run.Suspect = true
		s.USBError = "the child process took too long"
	})
	got := judgedOf(tileOf(&s, time.UTC, true))
	want := judged{
		Danger, "Drop?",
		[]string{
			"It looks like a drop, not certain yet.",
			"No news from this station since 02:58:12: what stands here is old.",
			"Nothing has moved since 02:53:12, for 5 min 00 s.",
			"No good reading since 02:58:02; the run goes on unproven.",
		},
		[]string{"The USB watch complains: the child process took too long."},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestSilentTileIsOld(t *testing.T) {
	s := running()
	got := tileOf(&s, time.UTC, true)
	if !got.Old || got.Severity != Abnormal || got.State != "No news" {
		t.Errorf("a silent station is %v, %q, old %v", got.Severity, got.State, got.Old)
	}
}

func TestWindow(t *testing.T) {
	type window struct{ Uptime, Since, Wait, Window, End, Left, Done string }
	none := func(m bench.Mode) func(*bench.Snapshot) {
		return func(s *bench.Snapshot) { s.Run, s.Mode = nil, m }
	}
	run := func(r bench.RunView) func(*bench.Snapshot) { return func(s *bench.Snapshot) { s.Run = &r } }
	for _, tc := range []struct {
		name string
		by   func(*bench.Snapshot)
		want window
	}{
		{"off", none(bench.Off), window{Wait: "Waiting for power"}},
		{"standby", none(bench.Standby), window{Wait: "Waiting for the board to start"}},
		{"stopped, still up", func(s *bench.Snapshot) { s.Run, s.Waiting = nil, true }, window{Wait: "Stopped, still powered: the next run starts after off was seen"}},
		{"led by marks", func(s *bench.Snapshot) {
			s.Run, s.Waiting, s.Hookup = nil, true, bench.Hookup{Path: bench.FromBattery}
		}, window{Wait: "Waiting for somebody to mark a screen"}},
		{"no run, mode unknown", none(bench.Unknown), window{Wait: "Waiting for a run"}},
		{
			"starting", run(bench.RunView{Start: ago(9 * time.Second), Uptime: 9 * time.Second}),
			window{"9 s", "since 02:58:03", "Window begins after the start", "(3 min 30 s)", "", "", "0"},
		},
		{
			"just begun", run(bench.RunView{Start: ago(9 * time.Second), Uptime: 9 * time.Second, Origin: night}),
			window{"9 s", "since 02:58:03", "Window", "0 s of 3 min 30 s", "03:01:42", "3 min 30 s", "0.0"},
		},
		{
			"over at this moment", run(bench.RunView{Start: ago(4 * time.Minute), Uptime: 4 * time.Minute, Origin: ago(210 * time.Second)}),
			window{"4 min 00 s", "since 02:54:12", "Window over, not proven yet", "(3 min 30 s)", "", "", "100"},
		},
		{
			"met", run(bench.RunView{Start: ago(3 * time.Hour), Uptime: 3 * time.Hour, Origin: ago(3 * time.Hour), WindowMet: ago(3*time.Hour - 210*time.Second)}),
			window{"3 h 00 min", "since 1 Mar 23:58:12", "Window met at 00:01:42", "(3 min 30 s)", "", "", "100"},
		},
		{
			"up at first sight", run(bench.RunView{Start: ago(time.Minute), Uptime: time.Minute, Origin: ago(time.Minute), Assumed: true}),
			window{"1 min 00 s", "or longer: up at first sight, 02:57:12", "Window", "1 min 00 s of 3 min 30 s", "03:00:42", "2 min 30 s", "28.6"},
		},
		{
			"nothing shows that it went on while nobody watched",
			run(bench.RunView{Start: ago(time.Hour), Uptime: time.Hour, SureFrom: ago(time.Minute), Origin: ago(time.Minute), Assumed: true}),
			window{"1 min 00 s", "or longer: not watched until 02:57:12", "Window", "1 min 00 s of 3 min 30 s", "03:00:42", "2 min 30 s", "28.6"},
		},
		{
			"the clock was set back", run(bench.RunView{Start: ago(-time.Minute), Origin: ago(-time.Minute)}),
			window{"0 s", "since 02:59:12", "Window", "0 s of 3 min 30 s", "03:02:42", "4 min 30 s", "0.0"},
		},
		{"no window", func(s *bench.Snapshot) { s.Window = 0 }, window{Uptime: "2 min 23 s", Since: "since 02:55:49"}},
	} {
		got := tileNow(changed(running(), tc.by))
		if diff := cmp.Diff(tc.want, window{got.Uptime, got.Since, got.Wait, got.Window, got.End, got.Left, got.Done}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

func TestMode(t *testing.T) {
	for _, tc := range []struct {
		mode      bench.Mode
		label     string
		show, too string
	}{
		{bench.Loader, "DFU", "DFU", "loader"},
		{bench.Restoring, "restoring", "Restoring", ""},
		{bench.Running, "", "Running", ""},
		{"", "", "Unknown", ""},
	} {
		got := tileNow(changed(running(), in(tc.mode, tc.label, time.Minute)))
		if got.Mode != tc.show || got.ModeToo != tc.too {
			t.Errorf("%q labelled %q shows %q and %q, want %q and %q", tc.mode, tc.label, got.Mode, got.ModeToo, tc.show, tc.too)
		}
	}
}

// An unknown is not a zero, and what was true some time ago is not shown as
// true now.
func TestReading(t *testing.T) {
	type reading struct{ Amps, Volts, Reading string }
	for _, tc := range []struct {
		name string
		by   func(*bench.Snapshot)
		want reading
	}{
		{"both", func(*bench.Snapshot) {}, reading{"412 mA", "3.801 V", ""}},
		{"a true zero", draws(0, 0), reading{"0.00 mA", "0.000 V", ""}},
		{"no volts", func(s *bench.Snapshot) { s.Reading.Volts = unit.Maybe[unit.Voltage]{} }, reading{"412 mA", "", ""}},
		{"no amps", func(s *bench.Snapshot) { s.Reading.Amps = unit.Maybe[unit.Current]{} }, reading{"", "3.801 V", ""}},
		{"none yet", func(s *bench.Snapshot) { s.Reading = bench.ReadingView{} }, reading{"", "", "No reading yet"}},
		{"slow", func(s *bench.Snapshot) { s.Reading.At = ago(7 * time.Second) }, reading{"412 mA", "3.801 V", "read 7 s ago"}},
		{"lost", func(s *bench.Snapshot) { s.Reading.At, s.SupplyLost = ago(time.Minute), ago(time.Minute) }, reading{"–", "", "1 min 00 s ago: 412 mA, 3.801 V"}},
		{"lost before the first", func(s *bench.Snapshot) { s.Reading, s.SupplyLost = bench.ReadingView{}, ago(time.Minute) }, reading{"", "", "No reading yet"}},
		{"lost, volts alone", func(s *bench.Snapshot) {
			s.Reading.Amps, s.SupplyLost = unit.Maybe[unit.Current]{}, ago(time.Minute)
		}, reading{"–", "", "0 s ago: 3.801 V"}},
		{"battery", func(s *bench.Snapshot) { s.Hookup.Path = bench.FromBattery }, reading{"", "", "On battery: no readings"}},
		{"led by marks", func(s *bench.Snapshot) { s.Hookup = bench.Hookup{Path: bench.FromBattery} }, reading{"", "", "On battery: led by marks and the clock"}},
	} {
		got := tileNow(changed(running(), tc.by))
		if diff := cmp.Diff(tc.want, reading{got.Amps, got.Volts, got.Reading}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

func TestUSBLine(t *testing.T) {
	lost := func(s *bench.Snapshot) { s.USBLost = ago(time.Minute) }
	for _, tc := range []struct {
		want string
		s    bench.Snapshot
	}{
		{"USB port 1-2: 1209:0004 since 02:56:12, serial WREN7-0042", running()},
		{"USB port 1-2: 1209:0004 since 02:56:12", changed(running(), func(s *bench.Snapshot) { s.USB.Serial = "" })},
		{"USB port 1-2: nothing there", changed(running(), unplugged)},
		{"USB port 1-2: last seen 1209:0004", changed(running(), lost)},
		{"USB port 1-2: not seen", changed(running(), unplugged, lost)},
		{"USB port ?: nothing there", changed(running(), unplugged, func(s *bench.Snapshot) { s.Port = "" })},
		{"No USB port is watched", changed(running(), func(s *bench.Snapshot) { s.Hookup.USB = false })},
	} {
		if got := tileNow(tc.s).USB; got != tc.want {
			t.Errorf("got %q, want %q", got, tc.want)
		}
	}
}

func TestCounts(t *testing.T) {
	for _, tc := range []struct {
		want    string
		n       bench.Counts
		dropped uint64
	}{
		{"No drops", bench.Counts{Readings: 100}, 0},
		{"1 drop, yours", bench.Counts{Drops: 1, Reclassified: 1}, 0},
		{"2 drops, 1 yours, 1 stall", bench.Counts{Drops: 2, Reclassified: 1, Stalls: 1}, 0},
		{"1 drop, 2 stalls", bench.Counts{Drops: 1, Stalls: 2}, 0},
		{"5 drops, 1 restart, 3 failed readings, 12 observations lost: the watch was too busy", bench.Counts{Drops: 5, Restarts: 1, BadReadings: 3}, 12},
	} {
		if got := counts(&bench.Snapshot{Counts: tc.n, QueueDropped: tc.dropped}); got != tc.want {
			t.Errorf("got %q, want %q", got, tc.want)
		}
	}
}

// What a person takes upon themselves missed no window.
func TestTakenBack(t *testing.T) {
	s := changed(running(), droppedBefore(3*time.Minute, 181*time.Second, bench.Died), func(s *bench.Snapshot) {
		s.LastRun.EndedAs, s.LastRun.Kind, s.Counts = bench.RunStopped, bench.StoppedByMark, bench.Counts{Drops: 1, Reclassified: 1}
		s.Recent = append([]bench.Event{event1(bench.RunReclassified, 3*time.Minute, bench.EventData{By: "kim"})}, s.Recent...)
	})
	got := tileNow(s)
	for _, l := range append(got.Events, got.Earlier...) {
		if strings.Contains(l.Text, "missed") {
			t.Errorf("an event says %q", l.Text)
		}
	}
	if got.Counts != "1 drop, yours" || len(got.Troubles) != 0 || len(got.Earlier) != 2 || got.Earlier[0].Text != "The drop was a stop by kim" {
		t.Errorf("%q, %v, %v", got.Counts, got.Troubles, got.Earlier)
	}
}

// A tile holds strings of its own: publishing must never write into what a
// snapshot shares with others.
func TestTileLeavesTheSnapshotAlone(t *testing.T) {
	for _, c := range allStates() {
		before := changedNothing(c.s)
		tileOf(&c.s, time.UTC, true)
		if diff := cmp.Diff(before, c.s, cmp.AllowUnexported(unit.Maybe[unit.Current]{}, unit.Maybe[unit.Voltage]{}, unit.Maybe[uint64]{}, unit.Maybe[time.Duration]{})); diff != "" {
			t.Errorf("%s was changed (-before +after):\n%s", c.what, diff)
		}
	}
}

// changedNothing is a deep copy.
func changedNothing(s bench.Snapshot) bench.Snapshot {
	s.Recent = append([]bench.Event(nil), s.Recent...)
	s.Shape.Amps = append([]unit.Maybe[unit.Current](nil), s.Shape.Amps...)
	for _, r := range []**bench.RunView{&s.Run, &s.LastRun} {
		if *r != nil {
			run := **r
			*r = &run
		}
	}
	return s
}

// What can be expected of a station stands on its tile in a few words.
func TestAhead(t *testing.T) {
	want := map[string]string{
		"running":           "",
		"will it last":      "3 of 5 runs reached it: the next one 19–92 %",
		"a timer":           "Resets at about 180 s each time",
		"time still needed": "About 6 min more, 9 of 10 within 25 min (by 12 before)",
	}
	for _, c := range allStates() {
		text, ok := want[c.what]
		if ok && tileNow(c.s).Ahead != text {
			t.Errorf("%s: %q, want %q", c.what, tileNow(c.s).Ahead, text)
		}
		delete(want, c.what)
	}
	if len(want) > 0 {
		t.Errorf("not among the states: %v", want)
	}
}
