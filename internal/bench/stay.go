package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"
)

// Stay is a restore or re-pairing that has ended, planned restarts within it
// included: what later ones of the same profile are compared with.
type Stay struct {
	Profile  string
	Mode     Mode
	Lasted   time.Duration
	Quiet    time.Duration // the longest time within it without movement
	Finished bool          // what usually follows came; otherwise it broke off
}

// stayData is a Stay as it stands in an event.
type stayData struct {
	Profile  string  `json:"profile"`
	Mode     Mode    `json:"mode"`
	LastedS  float64 `json:"lasted_s"`
	QuietS   float64 `json:"quiet_s"`
	Finished bool    `json:"finished"`
}

func stayOf(s *Stay) *stayData {
	if s == nil {
		return nil
	}
	return &stayData{s.Profile, s.Mode, rounded(s.Lasted), rounded(s.Quiet), s.Finished}
}

// longestStay bounds what is believed of one, in seconds: a month.
const longestStay = 30 * 24 * 3600

// ParseStay reads the stay that an event tells of, from its CloudEvents form;
// nil where it tells of none.
func ParseStay(event []byte) (*Stay, error) {
	var e struct {
		Data struct {
			Ended *stayData `json:"ended"`
		} `json:"data"`
	}
	if err := json.Unmarshal(event, &e); err != nil {
		return nil, fmt.Errorf("read an event: %w", err)
	}
	d := e.Data.Ended
	if d == nil {
		return nil, nil
	}
	if _, err := ParseMode(string(d.Mode)); err != nil {
		return nil, fmt.Errorf("read an event: ended: %w", err)
	}
	if !(d.LastedS >= 0 && d.LastedS <= longestStay && d.QuietS >= 0 && d.QuietS <= d.LastedS) {
		return nil, errors.New("read an event: ended: want 0 <= quiet_s <= lasted_s, a month at most")
	}
	return &Stay{d.Profile, d.Mode, lasting(d.LastedS), lasting(d.QuietS), d.Finished}, nil
}

func lasting(seconds float64) time.Duration {
	return time.Duration(math.Round(seconds*1000)) * time.Millisecond
}
