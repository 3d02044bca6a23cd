package web

import (
	"cmp"
	"net/url"
	"strings"

	"github.com/a-h/templ"
)

// view is what a live page shows: the desk's page, the wall of a television, the list for a phone, one station, or
// all alerts. The zero view is the desk's page.
type view struct {
	list    bool
	station string
	desk    string // one station, for a desk
	alerts  bool
	ack     string // the alert that a link led to
	screen  screen // the wall of a television
	viewer  bool   // whoever looks may only view: there is nothing to press
}

func viewOf(q url.Values) view {
	if q.Has("wall") {
		s := screenOf(q)
		s.on = true
		return view{screen: s}
	}
	v := view{list: q.Has("list"), station: q.Get("station"), desk: q.Get("desk"), alerts: q.Has("alerts")}
	if ack := q.Get("ack"); len(ack) <= mostKey && (v.list || v.alerts) {
		v.ack = ack
	}
	return v
}

// andAck adds the alert that a link led to to the address of a stream.
func andAck(key string) string {
	if key == "" {
		return ""
	}
	return "&ack=" + url.QueryEscape(key)
}

// element is one part of a page that is replaced as a whole, when its data has
// changed.
type element struct {
	id        string // of the element in the page
	data      any
	component templ.Component
}

// whole is what a page of this view begins with.
func (v view) whole(l *Look) []element {
	l = v.seen(l)
	if v.screen.on {
		return v.screen.wall(l).whole()
	}
	if v.front() {
		return append(l.above(), element{"grid", l.Grid, grid(l.Grid)})
	}
	return v.parts(l)
}

func (v view) front() bool {
	return !v.list && v.station == "" && v.desk == "" && !v.alerts && !v.screen.on
}

// parts are the smallest elements of the view: on the wall every tile is one.
func (v view) parts(l *Look) []element {
	l = v.seen(l)
	switch {
	case v.screen.on:
		return v.screen.wall(l).parts()
	case v.station != "":
		if t, ok := l.tile(v.station); ok {
			return append(l.notices(), element{"station", t.standing(), phoneStation(l, t)}, element{shapeID(t.Station), t.Shape, shape(t)})
		}
		return append(l.notices(), element{"station", v.station, goneStation(v.station)})
	case v.desk != "":
		if t, ok := l.deskTile(v.desk); ok {
			return append(l.notices(), element{"station", t.standing(), deskStation(l, t)}, element{shapeID(v.desk), t.Shape, shape(t.Tile)}, element{"moment", t.Moment, moment(t.Moment)})
		}
		return append(l.notices(), element{"station", v.desk, goneDesk(v.desk)})
	case v.alerts:
		return append(l.notices(), element{"alerts", l.roll("/alerts", v.ack), alarmRoll(l.roll("/alerts", v.ack))}, element{"outlets", l.outlets, outletList(l.outlets)})
	case v.list:
		out := append(l.notices(), element{"summary", l.Summary, summary(l.Summary)}, element{"rows", l.Rows(), stationRows(l.Rows())})
		if l.HasAlerts {
			r := l.roll("/m", v.ack).fold()
			out = append(out, element{"alerts", r, shortRoll(r)}, element{"thumb", r.Thumb(), thumbAlarm(r.Thumb(), r.Thumb().Title)})
		}
		return out
	}
	out := l.above()
	for _, t := range l.Grid.Tiles {
		out = append(out, element{tileID(t.Station), t.standing(), tileCard(t)}, element{shapeID(t.Station), t.Shape, shape(t)})
	}
	return out
}

// ticking are the stations whose ticks the view has elements for.
func (v view) ticking(l *Look) []Tile {
	if v.screen.on {
		return v.screen.wall(l).Tiles
	}
	if v.front() {
		return l.Grid.Tiles
	}
	if t, ok := l.tile(cmp.Or(v.station, v.desk)); ok {
		return []Tile{t}
	}
	return nil
}

// above is what stands above the tiles of the wall.
func (l *Look) above() []element {
	out := append(l.notices(), element{"summary", l.Summary, summary(l.Summary)})
	if l.HasAlerts {
		out = append(out, element{"strip", l.Strip, alarmStrip(l.Strip)})
	}
	return out
}

// notices is the notice, where there may be one.
func (l *Look) notices() []element {
	if !l.HasNotice {
		return nil
	}
	return []element{{"notice", l.Notice, notice(l.Notice)}}
}

// keys tell whether other elements stand there than before.
func keys(parts []element) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(p.id + "\n")
	}
	return b.String()
}

// above is what stands above the tiles of a television's wall.
func (w *Wall) above() []element {
	return append(w.notices(), element{"dim", w.Dim, dim(w.Dim)}, element{"wrong", w.Wrong, wrongAddress(w.Wrong)},
		element{"summary", w.Summary, summary(w.Summary)}, element{"urgent", w.Urgent, urgentLine(w.Urgent)})
}

func (w *Wall) whole() []element { return append(w.above(), element{"wall", w.Tiles, wallGrid(w)}) }

func (w *Wall) parts() []element {
	out := w.above()
	for _, t := range w.Tiles {
		out = append(out, element{tileID(t.Station), t.standing(), wallTile(t, w.Dense)}, element{shapeID(t.Station), t.Shape, shape(t)})
	}
	return out
}

// seen is the bench as whoever has this view may see it.
func (v view) seen(l *Look) *Look {
	if !v.viewer || !l.Works {
		return l
	}
	out := *l
	out.onlyView()
	return &out
}
