package checkup

import (
	"errors"
	"strings"
	"testing"
	"time"
)

func TestAccess(t *testing.T) {
	now := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	in := func(days int) time.Time { return now.Add(time.Duration(days)*24*time.Hour + time.Hour) }
	for name, tt := range map[string]struct {
		a                   Access
		certificate, people Verdict
		says                string
	}{
		"good":              {Access{Ends: in(300), Names: []string{"bench.local"}, People: 2}, OK, OK, "for bench.local, another 300 days"},
		"ends soon":         {Access{Ends: in(12), Names: []string{"bench.local"}, People: 1}, Attention, OK, "ends in 12 days"},
		"ended":             {Access{Ends: in(-2), People: 1}, Attention, OK, "it ended on 2026-02-28"},
		"not to be read":    {Access{Problem: errors.New("permission denied"), People: 1}, Failed, OK, "permission denied"},
		"nobody":            {Access{Ends: in(300), Folder: "/var/lib/benchvigil"}, OK, Failed, "--data /var/lib/benchvigil"},
		"no folder to look": {Access{Ends: in(300), People: -1}, OK, Unknown, "--data"},
	} {
		got := tt.a.results(now)
		var said strings.Builder
		for _, r := range got {
			said.WriteString(r.Found + "; " + r.Do + "; ")
		}
		if got[0].Verdict != tt.certificate || got[1].Verdict != tt.people || !strings.Contains(said.String(), tt.says) {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := (*Access)(nil).results(now); got != nil {
		t.Errorf("a bench for this computer alone: %+v", got)
	}
}
