package usbip

import "strings"

// TMC is a test and measurement instrument: the kernel's usbtmc makes a
// /dev/usbtmc of it. It answers one message at a time, as IEEE 488.2 wants it:
// a new one takes the place of an answer that nobody fetched.
type TMC struct {
	answer  func(message string) string
	message []byte   // so far: a message may come in several transfers
	said    []byte   // what is left of the answer
	asked   *BulkOut // the request for it that is to be served
	wire    []byte   // what is left of the transfer that serves it
}

// NewTMC makes an instrument that answers each message as answer says; the
// empty string is no answer. Messages have no LF at their end; one is put
// behind an answer.
func NewTMC(answer func(message string) string) *TMC { return &TMC{answer: answer} }

// Class requests and statuses (USBTMC 1.0 tables 15 and 16, from memory).
const (
	reqInitiateClear    = 5
	reqCheckClear       = 6
	reqGetCapabilities  = 7
	statusSuccess       = 1
	capabilitiesSize    = 24
	capabilitiesVersion = 2 // offset of bcdUSBTMC
)

// The class is the interface's.
func (*TMC) class() []byte { return []byte{0, 0, 0} }

// interfaces are one of the class "application, test and measurement" and its
// bulk endpoints (USBTMC 1.0 section 5.5, from memory).
func (*TMC) interfaces() []byte {
	return append([]byte{9, descInterface, 0, 0, 2, 0xfe, 3, 0, 0}, bulkPair(1)...)
}

func (t *TMC) reset() { *t = TMC{answer: t.answer} }

// control says that it can do nothing beyond messages, and clears.
func (t *TMC) control(s Setup, _ []byte) (in []byte, ok bool) {
	switch s.Request {
	case reqGetCapabilities:
		in = make([]byte, capabilitiesSize)
		in[0], in[capabilitiesVersion+1] = statusSuccess, 1 // 1.0
		return in, true
	case reqInitiateClear:
		t.reset()
		return []byte{statusSuccess}, true
	case reqCheckClear:
		return []byte{statusSuccess, 0}, true
	}
	return nil, false
}

// out takes a transfer; what is no USBTMC halts the endpoint.
func (t *TMC) out(_ int, data []byte) bool {
	m, err := DecodeBulkOut(data)
	switch {
	case err != nil:
		return false
	case m.Request:
		t.asked, t.wire = &m, nil
		return true
	}
	t.message = append(t.message, m.Data...)
	if m.End {
		t.obey()
	}
	return true
}

// obey treats a whole message.
func (t *TMC) obey() {
	message := strings.TrimRight(string(t.message), "\r\n")
	t.message, t.said, t.asked, t.wire = nil, nil, nil, nil
	if a := t.answer(message); a != "" {
		t.said = []byte(a + "\n")
	}
}

// in serves a request once there is an answer.
func (t *TMC) in(_, max int) ([]byte, bool) {
	if len(t.wire) == 0 {
		if t.asked == nil || len(t.said) == 0 {
			return nil, false
		}
		t.wire = t.serve(*t.asked)
		t.asked = nil
	}
	n := min(max, len(t.wire))
	data := t.wire[:n]
	t.wire = t.wire[n:]
	return data, true
}

// serve takes as much of the answer as was asked for.
func (t *TMC) serve(m BulkOut) []byte {
	n := min(m.Size, len(t.said))
	reply := BulkIn{Tag: m.Tag, Data: t.said[:n], End: n == len(t.said)}
	t.said = t.said[n:]
	return reply.AppendTo(nil)
}
