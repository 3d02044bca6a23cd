package supply

import (
	"bufio"
	"cmp"
	"context"
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

// settler is a Conn to something that does not notice who opens and closes it:
// what was asked before may still be answered. Settle drops what comes until
// nothing has come for quiet.
type settler interface {
	Settle(quiet time.Duration) error
}

// maxSettle bounds the quiet that is waited for.
const maxSettle = time.Second

// dialled opens a way to an instrument and clears it of what was before.
func dialled(ctx context.Context, dial Dial, timeout time.Duration) (*dialogue, error) {
	conn, err := dial(ctx)
	if err != nil {
		return nil, err
	}
	if s, ok := conn.(settler); ok {
		stop := closeAfter(ctx, conn)
		err := s.Settle(min(timeout, maxSettle))
		if ended := !stop(); ended || err != nil {
			_ = conn.Close()
			return nil, cmp.Or(ctx.Err(), err)
		}
	}
	return newDialogue(conn, timeout), nil
}

// query sends q and returns the answer line without its terminator, LF or CRLF.
func (d *dialogue) query(q string) (string, error) { return d.ask("", q) }

// ask is query with a command before it that is not answered, unless that is
// empty.
func (d *dialogue) ask(before, q string) (string, error) {
	if d.r.Buffered() > 0 {
		return "", errStray
	}
	if err := d.conn.SetDeadline(time.Now().Add(d.timeout)); err != nil {
		return "", err
	}
	for _, s := range []string{before, q} {
		if s == "" {
			continue
		}
		if _, err := io.WriteString(d.conn, s+"\n"); err != nil {
			return "", err
		}
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
