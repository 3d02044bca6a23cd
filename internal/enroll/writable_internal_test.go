package enroll

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

func TestWritable(t *testing.T) {
	if err := writable(filepath.Join(t.TempDir(), "not", "made", "yet", "config.yaml")); err != nil {
		t.Errorf("a folder that can be made: %v", err)
	}
	for _, tc := range []struct {
		err  error
		says string
	}{
		{nil, ""},
		{fmt.Errorf("/etc: %w", fs.ErrPermission), "/etc/benchvigil/config.yaml could not be written: /etc: permission denied: run it with sudo, or name another file with --config"},
		{errors.New("/etc: read-only file system"), "read-only file system: name another file"},
	} {
		got := ""
		if err := refusal("/etc/benchvigil/config.yaml", tc.err); err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, tc.says) || (got == "") != (tc.says == "") {
			t.Errorf("%v: says %q, want %q", tc.err, got, tc.says)
		}
	}
}
