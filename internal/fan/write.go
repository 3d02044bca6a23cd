package fan

import (
	"errors"
	"net/http"
	"time"
)

// Write sends to one client at once, and gives up on one that takes nothing for so
// long: then the error is os.ErrDeadlineExceeded. The deadline also replaces the
// server's own, which would end every stream.
func Write(w http.ResponseWriter, b []byte, within time.Duration) error {
	rc := http.NewResponseController(w)
	if err := rc.SetWriteDeadline(time.Now().Add(within)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := w.Write(b); err != nil {
		return err
	}
	return rc.Flush()
}
