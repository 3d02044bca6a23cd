package supply

import (
	"bufio"
	"errors"
	"io"
	"strings"
	"time"
)

// maxLine bounds an answer in bytes; the longest that is asked for is an error
// entry of some 270.
const maxLine = 1024

var (
	errLong  = errors.New("answer without an end")
	errStray = errors.New("more than one answer to a query")
)

// dialogue asks one question at a time. After any error it is of no more use:
// what comes next on the connection may belong to the question before.
type dialogue struct {
	conn    Conn
	r       *bufio.Reader
	timeout time.Duration
}

func newDialogue(conn Conn, timeout time.Duration) *dialogue {
	return &dialogue{conn: conn, r: bufio.NewReaderSize(conn, maxLine), timeout: timeout}
}

// query sends q and returns the answer line without its terminator, LF or CRLF.
func (d *dialogue) query(q string) (string, error) {
	if d.r.Buffered() > 0 {
		return "", errStray
	}
	if err := d.conn.SetDeadline(time.Now().Add(d.timeout)); err != nil {
		return "", err
	}
	if _, err := io.WriteString(d.conn, q+"\n"); err != nil {
		return "", err
	}
	line, err := d.r.ReadSlice('\n')
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return "", errLong
	case err != nil:
		return "", err
	}
	return strings.TrimSuffix(string(line[:len(line)-1]), "\r"), nil
}
