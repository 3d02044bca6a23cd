package app_test

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"benchvigil/internal/app"
	"benchvigil/internal/sim"
)

var update = flag.Bool("update", false, "rewrite the expected events in testdata/recordings")

// Recordings that were made once keep giving the same events, byte for byte:
// the format and the meaning of an event's id are promises.
func TestRecordingsOfOld(t *testing.T) {
	const dir = "../../testdata/recordings"
	if *update {
		keepRecordings(t, dir)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.jsonl.zst"))
	if err != nil || len(files) < len(sim.Scenarios()) {
		t.Fatalf("%d recordings in %s, %v", len(files), dir, err)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			var out bytes.Buffer
			if err := app.Replay(app.ReplayOptions{Recording: f, Profile: handset, Out: &out, Warn: io.Discard}); err != nil {
				t.Fatal(err)
			}
			golden := strings.TrimSuffix(f, ".jsonl.zst") + ".events.jsonl"
			if *update {
				if err := os.WriteFile(golden, out.Bytes(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), out.String()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// keepRecordings makes the recordings that are not there yet. One that is there
// is never made again: it stands for what people have on their disks.
func keepRecordings(t *testing.T, dir string) {
	t.Helper()
	z, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression))
	if err != nil {
		t.Fatal(err)
	}
	for _, sc := range sim.Scenarios() {
		name := filepath.Join(dir, sc.Name+".jsonl.zst")
		if _, err := os.Stat(name); err == nil {
			continue
		}
		b, err := os.ReadFile(write(t, sc, true))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, z.EncodeAll(b, nil), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
