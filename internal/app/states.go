package app

import (
	"context"
	"fmt"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/web"
	"benchvigil/internal/web/states"
)

// ShowStates serves the pages with canned data instead of a bench, until ctx
// ends: every state in which a station or an alert can be, and a page that has
// them all. Stations 0 is one of each. What people do there is taken and has no
// effect.
func ShowStates(ctx context.Context, o DemoOptions) error {
	all, n := states.States(), o.Stations
	o.Stations = max(n, 1)
	if err := o.validate(); err != nil {
		return err
	}
	if n == 0 {
		o.Stations = len(all)
	}
	site, err := web.New(cannedSite(&o, all))
	if err != nil {
		return err
	}
	l, err := listen(o.address())
	if err != nil {
		return err
	}
	fmt.Fprintf(o.Out, "Open http://%s/dev/states to see every state. Ctrl-C ends this.\n", l.Addr()) //nolint:errcheck // nobody is there to be told
	return site.Serve(ctx, l)
}

func cannedSite(o *DemoOptions, all []states.State) web.Options {
	snapshots := cannedSnapshots(o.Stations, all)
	mark := func(string, bench.Mark) bool { return true }
	act := func(bench.AlertAct) error { return nil }
	return web.Options{
		Bench: "north", Banner: "Canned states: invented boards, nothing here is real.", Version: o.Version, Logger: o.Logger, Zone: time.UTC,
		Snapshots: snapshots, Mark: mark, Alerts: states.Alerts, Outlets: states.Outlets, Act: act,
		States: shown(all, o.Stations),
		API: api.New(api.Options{
			Snapshots: snapshots, Mark: mark, Alerts: states.Alerts, Outlets: states.Outlets, Act: act, Logger: o.Logger,
			About: func() api.About { return api.About{Bench: "north"} },
		}),
	}
}

// shown is what each station is there to show.
func shown(all []states.State, n int) map[string]string {
	out := map[string]string{}
	for i, s := range states.Stations(n) {
		out[s.Station] = all[i%len(all)].What
	}
	return out
}

// cannedSnapshots are the stations with time running, but for those that have
// fallen silent.
func cannedSnapshots(n int, all []states.State) func() []bench.Snapshot {
	stations, began := states.Stations(n), time.Now()
	return func() []bench.Snapshot {
		out := make([]bench.Snapshot, len(stations))
		for i := range stations {
			out[i] = stations[i]
			if !all[i%len(all)].Still {
				out[i] = states.Later(out[i], time.Since(began))
			}
		}
		return out
	}
}
