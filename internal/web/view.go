package web

import (
	"net/url"
	"strings"
)

// view is what a live page shows: the wall, the list for a phone, or one
// station. The zero view is the wall.
type view struct {
	list    bool
	station string
}

func viewOf(q url.Values) view {
	return view{list: q.Has("list"), station: q.Get("station")}
}

// element is one part of a page that is replaced as a whole.
type element struct {
	key, template string
	data          any
}

// whole is what a page of this view begins with.
func (v view) whole(l *Look) []element {
	if v.wall() {
		return append(l.notices(), element{"summary", "summary", l.Summary}, element{"grid", "grid", l.Grid})
	}
	return v.parts(l)
}

func (v view) wall() bool { return !v.list && v.station == "" }

// parts are the smallest elements of the view: on the wall every tile is one.
func (v view) parts(l *Look) []element {
	switch {
	case v.station != "":
		if t, ok := l.tile(v.station); ok {
			return append(l.notices(), element{"station", "station", t})
		}
		return append(l.notices(), element{"station", "gone", v.station})
	case v.list:
		return append(l.notices(), element{"summary", "summary", l.Summary}, element{"rows", "rows", l.Rows()})
	}
	out := append(l.notices(), element{"summary", "summary", l.Summary})
	for _, t := range l.Grid.Tiles {
		out = append(out, element{"tile " + t.Station, "tile", t})
	}
	return out
}

// notices is the notice, where there may be one.
func (l *Look) notices() []element {
	if !l.HasNotice {
		return nil
	}
	return []element{{"notice", "notice", l.Notice}}
}

// keys tell whether other elements stand there than before.
func keys(parts []element) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(p.key + "\n")
	}
	return b.String()
}
