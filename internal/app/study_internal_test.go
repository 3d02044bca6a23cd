package app

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchvigil/internal/study"
)

func TestBetween(t *testing.T) {
	got, err := between([]byte("a\n<!-- study:begin -->\nold\n<!-- study:end -->\nb\n"), []byte("new\n"))
	if want := "a\n<!-- study:begin -->\n\nnew\n\n<!-- study:end -->\nb\n"; err != nil || string(got) != want {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
	again, err := between(got, []byte("new\n"))
	if err != nil || !bytes.Equal(again, got) {
		t.Errorf("once more: %q, %v", again, err)
	}
	for _, text := range []string{"", "<!-- study:end -->\n", "<!-- study:begin -->\n", "<!-- study:end -->\n<!-- study:begin -->\n"} {
		if _, err := between([]byte(text), nil); err == nil {
			t.Errorf("%q was not refused", text)
		}
	}
}

// The outcome goes to three places, and beside an earlier one.
func TestStudyWrites(t *testing.T) {
	dir := t.TempDir()
	doc, kept := filepath.Join(dir, "doc.md"), filepath.Join(dir, "kept.json")
	if err := os.WriteFile(doc, []byte(studyBegin+studyEnd), 0o644); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	o := StudyOptions{Hours: 0.5, Seeds: study.Tune, Scenario: "dips", JSON: kept, Of: "this", Write: doc, Out: &out}
	if err := Study(o); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(doc)
	if err != nil || !strings.Contains(string(text), out.String()) {
		t.Errorf("the document holds %q, %v; want the table in it", text, err)
	}
	b, err := os.ReadFile(kept)
	var res study.Result
	if err != nil || json.Unmarshal(b, &res) != nil || res.Of != "this" || res.Overall.Drops == 0 {
		t.Errorf("the kept result: %+v, %v", res, err)
	}
	out.Reset()
	if err := Study(StudyOptions{Hours: 0.5, Seeds: study.Tune, Scenario: "dips", FirstCut: kept, Out: &out}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "First cut: this") {
		t.Errorf("no word of the first cut in:\n%s", out.String())
	}
}
