package config

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// report gathers what is wrong with one file. Keys are written as paths such
// as "stations[1].port"; lines knows where each stands.
type report struct {
	file     string
	lines    map[string]int
	given    map[string]string // keys whose value is not the file's: by which way it came
	blamed   map[string]bool
	problems []problem
}

type problem struct {
	line int
	text string
}

func newReport(file string) *report {
	return &report{file: file, lines: map[string]int{}, given: map[string]string{}, blamed: map[string]bool{}}
}

// fail notes what is wrong with the key at path; the line is that of the key,
// or of the nearest thing around a key that is missing.
func (r *report) fail(path, format string, args ...any) {
	r.blamed[path] = true
	if way, ok := r.given[path]; ok {
		r.problems = append(r.problems, problem{0, way + ": " + path + ": " + fmt.Sprintf(format, args...)})
		return
	}
	r.failAt(r.line(path), path, format, args...)
}

// failAt is fail for a place that the path does not tell; line 0 is the file
// as a whole.
func (r *report) failAt(line int, path, format string, args ...any) {
	place := r.file
	if line > 0 {
		place = fmt.Sprintf("%s:%d", r.file, line)
	}
	if path != "" {
		place += ": " + path
	}
	r.problems = append(r.problems, problem{line, place + ": " + fmt.Sprintf(format, args...)})
}

// missing notes a key that has to be there, unless its absence only follows
// from what is already reported.
func (r *report) missing(path, format string, args ...any) {
	for p := path; p != ""; p = parent(p) {
		if r.blamed[p] {
			return
		}
	}
	r.fail(path, "missing: "+format, args...)
}

func (r *report) line(path string) int {
	for p := path; p != ""; p = parent(p) {
		if n, ok := r.lines[p]; ok {
			return n
		}
	}
	return r.lines[""]
}

// parent cuts the last key or index off a path.
func parent(path string) string {
	return path[:max(strings.LastIndexAny(path, ".["), 0)]
}

// err joins the problems, in the order of their lines.
func (r *report) err() error {
	slices.SortStableFunc(r.problems, func(a, b problem) int { return cmp.Compare(a.line, b.line) })
	var errs []error
	for _, p := range r.problems {
		errs = append(errs, errors.New(p.text))
	}
	return errors.Join(errs...)
}
