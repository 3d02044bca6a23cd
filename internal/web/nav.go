package web

// places are the pages there are for whoever looks.
func (l *Look) places() []Option {
	out := []Option{{"/", "Bench"}, {"/wall", "Television"}, {"/m", "Phone page"}}
	if l.HasAlerts {
		out = append(out, Option{"/alerts", "Alerts"})
	}
	out = append(out, Option{"/history", "History"})
	if l.HasTrail && l.Works {
		out = append(out, Option{"/audit", "Who did what"})
	}
	return out
}
