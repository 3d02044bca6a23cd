package supply

import (
	"fmt"
	"strconv"
	"strings"
)

// ErrorEntry is one entry of an instrument's error queue. Code 0 says that the
// queue is empty; negative codes are SCPI's, positive ones the maker's.
type ErrorEntry struct {
	Code int16
	Text string
}

// String prints the entry as SCPI writes it: -113,"Undefined header".
func (e ErrorEntry) String() string {
	return strconv.Itoa(int(e.Code)) + `,"` + strings.ReplaceAll(e.Text, `"`, `""`) + `"`
}

// CommandError reports an entry that says "I do not know or understand this":
// codes -100 to -199 (SCPI-1999 volume 2, 21.8).
func (e ErrorEntry) CommandError() bool { return e.Code <= -100 && e.Code >= -199 }

// maxEntryText is the bound on description and device-dependent info together
// (SCPI-1999 volume 2, 21.8).
const maxEntryText = 255

// ParseErrorEntry reads one answer to SYST:ERR?, SCPI-1999 volume 2, 21.8:
// <number>,"<description>[;<info>]". Instruments also answer +0,"No error" and
// 0,No error. An unquoted description must begin with a letter, so that a pair
// of measured values is not taken for an entry.
func ParseErrorEntry(line string) (ErrorEntry, error) {
	number, text, ok := strings.Cut(strings.Trim(line, " \t"), ",")
	if !ok {
		return ErrorEntry{}, fmt.Errorf("%w: error entry %s", ErrGarbled, clip(line))
	}
	code, err := strconv.ParseInt(number, 10, 16)
	if err != nil {
		return ErrorEntry{}, fmt.Errorf("%w: error entry %s: bad number", ErrGarbled, clip(line))
	}
	text, ok = entryText(strings.TrimLeft(text, " \t"))
	if !ok {
		return ErrorEntry{}, fmt.Errorf("%w: error entry %s: bad description", ErrGarbled, clip(line))
	}
	return ErrorEntry{Code: int16(code), Text: text}, nil
}

// entryText takes off the quotes, and what could not be shown or stored.
func entryText(s string) (string, bool) {
	switch {
	case len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"':
		s = strings.ReplaceAll(s[1:len(s)-1], `""`, `"`)
	case s == "" || !isLetter(s[0]):
		return "", false
	}
	s = strings.Map(printable, strings.ToValidUTF8(s, "?"))
	if len(s) > maxEntryText {
		s = strings.ToValidUTF8(s[:maxEntryText], "")
	}
	return s, true
}

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }

func printable(r rune) rune {
	if strconv.IsPrint(r) {
		return r
	}
	return '?'
}
