package app_test

import (
	"bytes"
	"encoding/pem"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchvigil/internal/app"
)

// A bench beyond this computer is asked with a token, over https alone, and every
// refusal says what to do.
func TestClientFromElsewhere(t *testing.T) {
	bench := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Authorization") != "Bearer good" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write([]byte("[]"))
	}))
	defer bench.Close()
	authority := filepath.Join(t.TempDir(), "authority.pem")
	if err := os.WriteFile(authority, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: bench.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	garbage := filepath.Join(t.TempDir(), "garbage.pem")
	if err := os.WriteFile(garbage, []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	plain := strings.Replace(bench.URL, "https://", "http://", 1)
	for name, tt := range map[string]struct {
		url, token, authority, says string
	}{
		"all is well":           {bench.URL, "good", authority, ""},
		"no token":              {bench.URL, "", authority, "benchvigil access token add NAME"},
		"revoked":               {bench.URL, "old", authority, "does not know the token"},
		"authority not named":   {bench.URL, "good", "", "name the file in BENCHVIGIL_AUTHORITY"},
		"authority is garbage":  {bench.URL, "good", garbage, "has no certificate"},
		"no such file":          {bench.URL, "good", "/nowhere", "no such file"},
		"another name":          {strings.Replace(bench.URL, "127.0.0.1", "localhost", 1), "good", authority, "no certificate for that name: use one of"},
		"plain http":            {plain, "", "", "speaks https alone"},
		"token over plain http": {"http://192.0.2.1:8420", "good", "", "a token goes by https alone"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Setenv(app.TokenEnv, tt.token)
			t.Setenv(app.AuthorityEnv, tt.authority)
			var out bytes.Buffer
			err := app.ShowStatus(t.Context(), app.StatusOptions{URL: tt.url, Out: &out, Say: &out})
			if err != nil {
				said := err.Error()
				if tt.says == "" || !strings.Contains(said, tt.says) {
					t.Errorf("it says %q, want %q", said, tt.says)
				}
			} else if tt.says != "" {
				t.Errorf("it works, want %q", tt.says)
			}
		})
	}
}
