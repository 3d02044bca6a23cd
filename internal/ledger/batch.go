package ledger

import (
	"database/sql"
	"fmt"

	"benchvigil/internal/trace"
)

// batch is what one transaction writes of what was observed.
type batch struct {
	stations   []*line
	channels   []*lane
	stretches  []stretchRow
	facts      []factRow
	pieces     []piece
	states     []*state
	firstPiece int64
}

type stretchRow struct {
	id, station, began int64
	anew               bool
	wiring             Wiring
}

type factRow struct {
	station, stretch, at int64
	kind, mark           string // mark: the kind of a mark
	data                 []byte
}

func (b *batch) empty() bool {
	return len(b.stations)+len(b.channels)+len(b.stretches)+len(b.facts)+len(b.pieces)+len(b.states) == 0
}

// first splits off the first states of stretches that begin with this batch: what
// is recorded of a stretch shall never be there without one. Later states wait
// until all that is in them is written.
func (b *batch) first() (with, later []*state) {
	for _, s := range b.states {
		if s.at == firstMoment {
			with = append(with, s)
		} else {
			later = append(later, s)
		}
	}
	return with, later
}

// join appends a later batch.
func (b *batch) join(later *batch) {
	b.stations = append(b.stations, later.stations...)
	b.channels = append(b.channels, later.channels...)
	b.stretches = append(b.stretches, later.stretches...)
	b.facts = append(b.facts, later.facts...)
	b.pieces = append(b.pieces, later.pieces...)
	b.states = append(b.states, later.states...)
}

func (b *batch) write(tx *sql.Tx) error {
	for _, s := range b.stations {
		if _, err := tx.Exec(`INSERT INTO station (id, name) VALUES (?, ?)`, s.id, s.name); err != nil {
			return fmt.Errorf("add station %q: %w", s.name, err)
		}
	}
	for _, a := range b.channels {
		if _, err := tx.Exec(`INSERT INTO channel (id, station, kind, name) VALUES (?, ?, ?, ?)`,
			a.id, a.line.id, a.channel.Kind, a.channel.Name); err != nil {
			return fmt.Errorf("add channel %q of station %q: %w", a.channel.Name, a.line.name, err)
		}
	}
	for _, s := range b.stretches {
		if err := s.write(tx); err != nil {
			return fmt.Errorf("add stretch: %w", err)
		}
	}
	for _, f := range b.facts {
		if err := f.write(tx); err != nil {
			return fmt.Errorf("add %s: %w", f.kind, err)
		}
	}
	if len(b.pieces) > 0 {
		if _, err := tx.Exec(`INSERT INTO frame (id, data) VALUES (?, ?)`, b.firstPiece, b.frame()); err != nil {
			return fmt.Errorf("add readings: %w", err)
		}
	}
	for _, s := range b.states {
		if _, err := tx.Exec(`INSERT INTO state (station, stretch, at, data) VALUES (?, ?, ?, ?)
			ON CONFLICT DO UPDATE SET stretch = excluded.stretch, at = excluded.at, data = excluded.data`,
			s.line.id, s.stretch, s.at, s.data); err != nil {
			return fmt.Errorf("save state of station %q: %w", s.line.name, err)
		}
	}
	return nil
}

func (s *stretchRow) write(tx *sql.Tx) error {
	w := s.wiring
	_, err := tx.Exec(`INSERT INTO stretch (id, station, began, anew, bench, power, vbus, usb, profile, window) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		s.id, s.station, s.began, s.anew, w.Bench, w.Hookup.Path, w.Hookup.VBUS, w.Hookup.USB, w.Profile, w.Window.Milliseconds())
	return err
}

func (f *factRow) write(tx *sql.Tx) error {
	table, kind := "fact", f.kind
	if f.kind == kindMark {
		table, kind = "mark", f.mark
	}
	_, err := tx.Exec(`INSERT INTO `+table+` (station, stretch, at, kind, data, sum) VALUES (?, ?, ?, ?, ?, ?)`,
		f.station, f.stretch, f.at, kind, string(f.data), sum(f.station, f.stretch, f.at, kind, f.data))
	return err
}

func (b *batch) frame() (out []byte) {
	for _, p := range b.pieces {
		out = trace.AppendPiece(out, trace.Piece{Channel: p.lane.id, Stretch: p.stretch, Data: p.data})
	}
	return out
}
