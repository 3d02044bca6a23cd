package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"time"
)

// WatchNews is what an event of a file tells of a watch.
type WatchNews struct {
	Station string
	Armed   *WatchView // what was armed, by whom and when; nil: what was has ended
}

// ParseWatchNews reads what an event tells of a watch, from its CloudEvents
// form; nil where it is about something else.
func ParseWatchNews(event []byte) (*WatchNews, error) {
	if !bytes.Contains(event, []byte(`"benchvigil.watch.`)) {
		return nil, nil
	}
	var e struct {
		Source string
		Type   EventType
		Time   time.Time
		Data   struct{ By, Goal string }
	}
	if err := json.Unmarshal(event, &e); err != nil {
		return nil, fmt.Errorf("read an event: %w", err)
	}
	_, escaped, _ := strings.Cut(e.Source, "/station/")
	station, err := url.PathUnescape(escaped)
	if err != nil {
		return nil, fmt.Errorf("read an event: source: %w", err)
	}
	switch e.Type {
	case WatchDone, WatchFailed:
		return &WatchNews{Station: station}, nil
	case WatchArmed:
		g, err := ParseGoal(e.Data.Goal)
		if err != nil {
			return nil, fmt.Errorf("read an event: %w", err)
		}
		return &WatchNews{station, &WatchView{Goal: g, By: e.Data.By, Armed: e.Time}}, nil
	}
	return nil, nil
}
