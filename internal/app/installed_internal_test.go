package app

import (
	"os"
	"strings"
	"testing"
	"testing/fstest"
)

func TestHasService(t *testing.T) {
	for file, want := range map[string]bool{
		"usr/lib/systemd/system/benchvigil.service": true,
		"etc/systemd/system/benchvigil.service":     true,
		"usr/lib/systemd/system/other.service":      false,
	} {
		if got := hasService(fstest.MapFS{file: {}}); got != want {
			t.Errorf("with %s: %v", file, got)
		}
	}
	if with, without := startedBy(true), startedBy(false); !strings.HasPrefix(with, "systemctl start benchvigil") || without != "benchvigil run" {
		t.Errorf("started by %q, without the unit by %q", with, without)
	}
}

// Where the record goes: as somebody says, else as a daemon says, else where the
// service would write.
func TestFoldersOf(t *testing.T) {
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		said    string
		running []string
		service bool
		want    string
	}{
		{"/mine", []string{"/a"}, true, "/mine"},
		{"", []string{"/a", "/b"}, true, "/a /b"},
		{"", nil, true, "/var/lib/benchvigil"},
		{"", nil, false, here},
	} {
		if got := strings.Join(foldersOf(tc.said, tc.running, tc.service), " "); got != tc.want {
			t.Errorf("%+v: %s", tc, got)
		}
	}
	p := Plan{Events: "/var/lib/x/events.jsonl", Record: "/var/lib/x/watch.jsonl", Data: "/data/ledger"}
	if got := strings.Join(p.folders(), " "); got != "/var/lib/x /data/ledger" {
		t.Errorf("a plan writes to %s", got)
	}
}
