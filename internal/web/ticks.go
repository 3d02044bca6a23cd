package web

import (
	"encoding/json"
	"maps"
)

func tileID(station string) string  { return "station-" + station }
func shapeID(station string) string { return "shape-" + station }

// ticks are the texts in a tile that change all the time, by the names that
// their elements have in data-tick. They are sent alone: a few bytes instead of a
// tile.
func (t *Tile) ticks() map[string]string {
	all := map[string]string{
		"mode-for": t.ModeFor, "up": t.Uptime, "window": t.Window, "left": t.Left, "done": t.Done, "hands": t.HandsLeft,
		"amps": t.Amps, "volts": t.Volts, "reading": t.Reading, "bus": t.Bus, "warmth": t.Warmth,
	}
	maps.DeleteFunc(all, func(_, text string) bool { return text == "" })
	return all
}

// standing is a tile without what ticks: if this changes, elements come or go.
func (t *Tile) standing() Tile {
	s := *t
	s.Shape = Sparkline{}
	for _, text := range []*string{
		&s.ModeFor, &s.Uptime, &s.Window, &s.Left, &s.Done, &s.HandsLeft, &s.Amps, &s.Volts, &s.Reading, &s.Bus, &s.Warmth,
	} {
		if *text != "" {
			*text = "there"
		}
	}
	return s
}

// ticksOf is an event with the ticks that differ from what was sent, by station;
// nil if none does.
func ticksOf(tiles []Tile, sent map[string]map[string]string) []byte {
	news := map[string]map[string]string{}
	for i := range tiles {
		t := &tiles[i]
		all := t.ticks()
		for name, text := range all {
			if sent[t.Station][name] == text {
				continue
			}
			if news[t.Station] == nil {
				news[t.Station] = map[string]string{}
			}
			news[t.Station][name] = text
		}
		sent[t.Station] = all
	}
	if len(news) == 0 {
		return nil
	}
	b, err := json.Marshal(news)
	if err != nil {
		panic(err) // texts by names are always JSON
	}
	return event("ticks", b)
}
