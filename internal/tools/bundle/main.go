// Command bundle makes what browsers load, from internal/web/assets and the npm
// packages there, into internal/web/dist:
//
//	go run -C internal/tools ./bundle
//
// Each style sheet and each script named below becomes one file of the same
// name, with all that it imports; pictures are copied.
package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/evanw/esbuild/pkg/api"
)

// Relative to internal/tools.
const (
	from = "../web/assets"
	to   = "../web/dist"
)

// scripts are those that pages load; the others are imported by these.
var scripts = []string{"app.js", "compare.js", "history.js", "phone.js", "push.js", "station.js", "worker.js"}

func main() {
	if err := bundle(); err != nil {
		fmt.Fprintln(os.Stderr, "bundle:", err)
		os.Exit(1)
	}
}

func bundle() error {
	if _, err := os.Stat(filepath.Join(from, "node_modules")); err != nil {
		return errors.New("the npm packages are missing: run make assets")
	}
	if err := clean(); err != nil {
		return err
	}
	entries, err := entryPoints()
	if err != nil {
		return err
	}
	r := api.Build(api.BuildOptions{
		EntryPoints: entries, Outdir: to, Outbase: from, Write: true,
		Bundle: true, Format: api.FormatESModule, Target: api.ES2022, Charset: api.CharsetUTF8,
		MinifyWhitespace: true, MinifySyntax: true, MinifyIdentifiers: true,
		Loader:        map[string]api.Loader{".svg": api.LoaderCopy},
		LegalComments: api.LegalCommentsEndOfFile, LogLevel: api.LogLevelWarning,
	})
	if len(r.Errors) > 0 {
		return errors.New("nothing was made: see above")
	}
	return nil
}

// entryPoints are the scripts, and all style sheets and pictures.
func entryPoints() ([]string, error) {
	var out []string
	for _, name := range scripts {
		out = append(out, filepath.Join(from, name))
	}
	for _, pattern := range []string{"*.css", "*.svg"} {
		found, err := filepath.Glob(filepath.Join(from, pattern))
		if err != nil {
			return nil, err
		}
		out = append(out, found...)
	}
	return out, nil
}

// clean removes what was made before, so that nothing stays of what is gone.
func clean() error {
	old, err := filepath.Glob(filepath.Join(to, "*.*"))
	if err != nil {
		return err
	}
	for _, file := range old {
		if err := os.Remove(file); err != nil {
			return err
		}
	}
	return nil
}
