package ledger

import (
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"benchvigil/internal/bench"
)

// add writes events that are not there yet, with what follows from them, and
// alerts. It returns how many were added.
func (r *recorder) add(tx *sql.Tx, a appended) (added int, err error) {
	for _, e := range a.events {
		is, err := r.addEvent(tx, e)
		if err != nil {
			return 0, fmt.Errorf("add %s of station %q: %w", e.Type, e.Station, err)
		}
		if is {
			added++
		}
	}
	for _, al := range a.alerts {
		if err := al.add(tx, r.id(al.Station)); err != nil {
			return 0, fmt.Errorf("add alert %q: %w", al.Key, err)
		}
	}
	return added, nil
}

// id is a station's number, which take made sure of.
func (r *recorder) id(station string) int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.line(station).id
}

func (r *recorder) addEvent(tx *sql.Tx, e bench.Event) (added bool, err error) {
	data, err := json.Marshal(eventData(e.Data))
	if err != nil {
		return false, err
	}
	id, err := hex.DecodeString(e.ID())
	if err != nil {
		return false, err
	}
	row := eventRow{
		station: r.id(e.Station), id: id, kind: e.Type, time: e.Time.UnixMilli(), concluded: e.Concluded.UnixMilli(),
		count: int64(e.Count), data: data,
	}
	res, err := tx.Exec(`INSERT INTO event (id, station, type, time, concluded, count, data, sum) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (id) DO NOTHING`, row.id, row.station, row.kind, row.time, row.concluded, row.count, string(row.data), row.sum())
	if err != nil {
		return false, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return false, err
	}
	if row.seq, err = res.LastInsertId(); err != nil {
		return false, err
	}
	row.profile = r.profile(e.Station)
	return true, row.follow(tx, e.Data)
}

func (r *recorder) profile(station string) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.line(station).wiring.Profile
}

// eventRow is an event as it stands in the store.
type eventRow struct {
	seq, station           int64
	id                     []byte
	kind                   bench.EventType
	time, concluded, count int64
	data                   []byte
	profile                string // in force when it was concluded
}

func (e *eventRow) sum() int64 {
	return sum(e.id, e.station, e.kind, e.time, e.concluded, e.count, e.data)
}

// event turns a row back into an event, checking it.
func (e *eventRow) event(station string, wrote int64) (bench.Event, error) {
	if e.sum() != wrote {
		return bench.Event{}, fmt.Errorf("event %d: %w", e.seq, ErrDamaged)
	}
	var d eventData
	if err := json.Unmarshal(e.data, &d); err != nil {
		return bench.Event{}, fmt.Errorf("event %d: %w: %w", e.seq, ErrDamaged, err)
	}
	return bench.Event{
		Station: station, Type: e.kind, Time: moment(e.time), Concluded: moment(e.concluded), Count: uint64(e.count),
		Data: bench.EventData(d),
	}, nil
}

func moment(ms int64) time.Time { return time.UnixMilli(ms).UTC() }
