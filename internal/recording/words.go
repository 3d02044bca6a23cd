package recording

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchvigil/internal/unit"
)

// Lengths, in bytes, up to which what was read is shown in a message: of a
// value, and of the message as a whole.
const (
	shortest = 60
	longest  = 400
)

// explain says why a value cannot be read.
func explain(raw []byte, err error) error {
	return fmt.Errorf("%s: %w", short(raw), plain(raw, err))
}

// plain puts the errors of encoding/json and of unit into words for people.
func plain(raw []byte, err error) error {
	if te, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
		kind := map[string]string{"string": "text", "uint64": "a whole number", "float64": "a number", "bool": "true or false"}[te.Type.String()]
		if kind == "" {
			kind = "an object"
		}
		return fmt.Errorf("want %s", kind)
	}
	if se, ok := errors.AsType[*json.SyntaxError](err); ok {
		if !looksLikeJSON(raw) {
			return errors.New("not JSON: want one object a line")
		}
		return fmt.Errorf("not JSON: %w", se)
	}
	if errors.Is(err, unit.ErrNotNumber) {
		return errors.New("want a number, without quotes or a unit")
	}
	// What SCPI-1999 volume 1 section 7.2.1 has instruments answer.
	switch f, _ := strconv.ParseFloat(string(raw), 64); max(f, -f) {
	case 9.91e37:
		return errors.New("not a number in SCPI: write null for a reading that failed")
	case 9.9e37:
		return errors.New("beyond the range in SCPI: write null for a reading that failed")
	}
	// unit begins its errors with the value, which stands before them already.
	return errors.New(strings.TrimPrefix(err.Error(), strconv.Quote(string(raw))+": "))
}

// looksLikeJSON reports what was meant as an object or a list, and not as
// another kind of file.
func looksLikeJSON(b []byte) bool {
	return len(b) > 0 && (b[0] == '{' || b[0] == '[')
}

// short is the beginning of what was read: as it is where it is a whole value
// or the start of an object, else in quotes.
func short(raw []byte) string {
	s, more := string(raw), ""
	if len(raw) > shortest {
		cut := shortest - 3
		for cut > shortest-3-utf8.UTFMax && !utf8.RuneStart(raw[cut]) {
			cut--
		}
		s, more = string(raw[:cut]), "…"
	}
	if looksLikeJSON(raw) || json.Valid(raw) {
		return s + more
	}
	return strconv.Quote(s) + more
}

// printable is text that does nothing to a terminal: no control characters, no
// changes of direction, no bytes that are not UTF-8, and not too long.
func printable(text string) string {
	var b strings.Builder
	for i, r := range text {
		switch {
		case b.Len() > longest:
			return b.String() + "…"
		case r == utf8.RuneError && !strings.HasPrefix(text[i:], string(utf8.RuneError)):
			fmt.Fprintf(&b, `\x%02x`, text[i])
		case unicode.IsGraphic(r):
			b.WriteRune(r)
		default:
			q := strconv.QuoteRune(r)
			b.WriteString(q[1 : len(q)-1])
		}
	}
	return b.String()
}

// shown is an error whose text can be printed, whatever was read.
type shown struct{ error }

func (s shown) Error() string { return printable(s.error.Error()) }

func (s shown) Unwrap() error { return s.error }

// checkStation refuses names that would do something to a terminal. Those in
// a configuration are shorter and plainer still.
func checkStation(id string) error {
	switch {
	case id == "":
		return errors.New("is missing")
	case len(id) > longest || strings.ContainsFunc(id, func(r rune) bool { return !unicode.IsGraphic(r) }):
		return fmt.Errorf("%s: want a name of up to %d printable characters", short([]byte(id)), longest)
	}
	return nil
}
