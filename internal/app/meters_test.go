package app_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/api"
	"benchvigil/internal/app"
)

// meters is an invented instrument of two outputs with a thermometer in it, or
// one that prints by itself.
type meters struct {
	answers map[string]string
	prints  string
	visits  atomic.Int32
}

func (m *meters) listen(t *testing.T) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			m.visits.Add(1)
			go m.serve(c)
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		<-done
	})
	return l.Addr().String()
}

// serve ends when the daemon closes the connection.
func (m *meters) serve(c net.Conn) {
	defer c.Close() //nolint:errcheck // nothing is kept in it
	if m.prints != "" {
		for {
			if _, err := io.WriteString(c, m.prints); err != nil {
				return
			}
			<-time.After(10 * time.Millisecond)
		}
	}
	r := bufio.NewScanner(c)
	for r.Scan() {
		a, ok := m.answers[r.Text()]
		if !ok {
			a = `-113,"Undefined header"`
		}
		if _, err := fmt.Fprintln(c, a); err != nil {
			return
		}
	}
}

// A supply, a meter on bus power that is its other output, and a thermometer:
// each is seen as what it is, and the two outputs take turns on one connection.
func TestMetersBesideABoard(t *testing.T) {
	outputs := &meters{answers: map[string]string{
		"SYST:ERR?": `0,"No error"`, "MEAS:VOLT? (@1);CURR? (@1)": "3.801;0.412", "MEAS:VOLT? (@2);CURR? (@2)": "5.021;0.1",
	}}
	thermometer := &meters{prints: "T=31.25\r\n"}
	k := keep(t, app.RunOptions{})
	psu := outputs.listen(t)
	k.write("config.yaml", fmt.Sprintf(`bench: north
listen: 127.0.0.1:0
usb: {sysfs: nowhere, scan: off}
stations:
  - id: m1
    profile: p
    port: 1-2
    vbus: true
    supply: {address: "tcp://%s", query: "MEAS:VOLT? (@1);CURR? (@1)", every: 20ms, timeout: 20s}
    vbus_meter: {address: "%s", query: "MEAS:VOLT? (@2);CURR? (@2)", every: 20ms, timeout: 20s}
    thermometer: {address: "%s", pattern: "^T=(?P<celsius>[0-9.]+)$"}
`, psu, psu, thermometer.listen(t)))
	var got api.Status
	eventually(t, 20*time.Second, "all three", func() bool {
		r, err := http.Get(k.url + "api/v1/stations/m1")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close() //nolint:errcheck // it is read below
		got = api.Status{}
		if r.StatusCode != http.StatusOK {
			return false
		}
		if err := json.NewDecoder(r.Body).Decode(&got); err != nil {
			t.Fatal(err)
		}
		return got.Reading != nil && got.VBUSMeter != nil && got.Temperature != nil
	})
	said := fmt.Sprintf("%v %v, bus %v %v, %v", got.Reading.Volts.Or(0), got.Reading.Amps.Or(0),
		got.VBUSMeter.Volts.Or(0), got.VBUSMeter.Amps.Or(0), got.Temperature.Celsius)
	if diff := cmp.Diff("3.801 V 412 mA, bus 5.021 V 100 mA, 31.3 °C", said); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if n := outputs.visits.Load(); n != 1 {
		t.Errorf("%d connections to the supply, want one for both outputs", n)
	}
	if !k.metric(`benchvigil_temperature_celsius{station="m1"} 31.25`)() {
		t.Error("no metric of the temperature")
	}
	if _, page := get(t, k.url+"metrics"); !strings.Contains(page, "benchvigil_readings_total{station=\"m1\"}") {
		t.Error("no readings are counted")
	}
}
