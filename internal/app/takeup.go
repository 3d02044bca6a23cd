package app

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
	"benchvigil/internal/profile"
	"benchvigil/internal/station"
)

// keptVersion is that of the form in which a station's memory is kept. Another
// one cannot be taken up.
const keptVersion = 1

// oldest is how long ago a watch may have been left to be taken up again.
const oldest = 7 * 24 * time.Hour

// mostTold bounds what is read of the events that were told last, on all
// stations: more than a bench tells within the seconds that a crash may cost.
const mostTold = 2000

// kept is what the ledger keeps of a station, so that its watch can be taken up
// again.
type kept struct {
	Version int
	Boot    string `json:",omitempty"` // which start of the computer it was; empty: unknown
	Port    string `json:",omitempty"`
	Profile string // fingerprint: its numbers decide what was concluded
	Station station.Memory
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// encode makes one line: a checksum (CRC-32C, hex) and JSON.
func (k *kept) encode() ([]byte, error) {
	data, err := json.Marshal(k)
	if err != nil {
		return nil, err
	}
	return append(fmt.Appendf(nil, "%08x ", crc32.Checksum(data, castagnoli)), data...), nil
}

// errUnreadable says that what was kept of a station means nothing.
var errUnreadable = errors.New("it cannot be read")

func decodeKept(b []byte) (*kept, error) {
	sum, data, _ := bytes.Cut(b, []byte{' '})
	if want := fmt.Sprintf("%08x", crc32.Checksum(data, castagnoli)); string(sum) != want {
		return nil, fmt.Errorf("%w: its checksum is wrong", errUnreadable)
	}
	var k kept
	if err := json.Unmarshal(data, &k); err != nil {
		return nil, fmt.Errorf("%w: %w", errUnreadable, err)
	}
	if k.Version != keptVersion {
		return nil, fmt.Errorf("%w: it is of version %d, this program knows %d", errUnreadable, k.Version, keptVersion)
	}
	return &k, nil
}

// fingerprint tells one text of a profile from another of the same name.
func fingerprint(p *profile.Profile) string {
	h := sha256.Sum256(fmt.Appendf(nil, "%#v", *p))
	return hex.EncodeToString(h[:8])
}

// bootID names this start of the computer; empty where the system does not.
func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// saver keeps the memory of a station in the ledger; nil where there is none.
func (a *assembly) saver(sp StationPlan) func(time.Time, station.Memory) {
	store, boot, of := a.record.store, a.plan.Boot, fingerprint(sp.Profile)
	if store == nil {
		return nil
	}
	return func(now time.Time, m station.Memory) {
		k := kept{Version: keptVersion, Boot: boot, Port: sp.Port, Profile: of, Station: m}
		b, err := k.encode()
		if err != nil {
			a.plan.Logger.Error("what a station remembers cannot be kept: after a restart it begins anew", logkey.Station(sp.ID), logkey.Err(err))
			return
		}
		store.SaveState(sp.ID, now, b)
	}
}

// newStation makes a station that goes on from what the ledger kept of it, or
// begins anew. Only at the start of the program a watch is taken up: a reload
// ends it knowingly.
func (a *assembly) newStation(sp StationPlan, o station.Options) (s *station.Station, taken bool, err error) {
	of := infer.Station{ID: sp.ID, Hookup: sp.Hookup, Window: sp.Window, Learnt: a.record.memory.learnt(sp.Profile.Name)}
	if a.record.store != nil && a.setup.Load() == nil {
		s, err := a.takenUp(sp, of, o)
		if err == nil && s != nil {
			return s, true, nil
		}
		if err != nil {
			a.plan.Logger.Warn("the watch of before is not taken up, the station begins anew", logkey.Station(sp.ID), logkey.Err(err))
		}
	}
	o.Engine, o.Forgot = infer.New(sp.Profile, of), a.record.memory.forgot(sp.ID)
	s, err = station.New(o)
	return s, false, err
}

// takenUp makes a station that goes on from what the ledger kept of it; nil
// where it kept nothing.
func (a *assembly) takenUp(sp StationPlan, of infer.Station, o station.Options) (s *station.Station, err error) {
	store := a.record.store
	saved, err := store.State(context.Background(), sp.ID)
	if err != nil || saved == nil {
		return nil, err
	}
	k, err := a.usable(sp, saved)
	if err != nil {
		return nil, err
	}
	// What cannot be gone on from must not keep the program from watching.
	defer func() {
		if r := recover(); r != nil {
			s, err = nil, fmt.Errorf("going on from what was kept fails: %v", r)
		}
	}()
	of.Learnt = of.Learnt.Without(k.Station.Engine.Work.Stays)
	o.Engine = infer.Resume(sp.Profile, of, k.Station.Engine)
	o.TakeUp = &station.TakeUp{
		Memory: k.Station, Since: a.since(saved), Told: a.record.toldOf(sp.ID),
		Rebooted: k.Boot == "" || k.Boot != a.plan.Boot,
	}
	return station.New(o)
}

// usable is what was kept, where the station is still the one it was kept of.
func (a *assembly) usable(sp StationPlan, saved *ledger.Saved) (*kept, error) {
	w := saved.Wiring
	last := saved.At
	if last.Before(saved.Began) {
		last = saved.Began
	}
	switch age := a.now().Sub(last); {
	case age > oldest:
		return nil, fmt.Errorf("it was left %s ago, longer than %s", age.Round(time.Minute), oldest)
	case w.Hookup != sp.Hookup || w.Window != sp.Window:
		return nil, errors.New("the station is wired otherwise, or has another window")
	case w.Profile != sp.Profile.Name:
		return nil, fmt.Errorf("its profile was %s, and is %s", w.Profile, sp.Profile.Name)
	}
	k, err := decodeKept(saved.Data)
	switch {
	case err != nil:
		return nil, err
	case k.Port != sp.Port:
		return nil, fmt.Errorf("its port was %q, and is %q", k.Port, sp.Port)
	case k.Profile != fingerprint(sp.Profile):
		return nil, fmt.Errorf("the profile %s was changed", sp.Profile.Name)
	}
	return k, nil
}

// since is what was recorded after a memory was kept. What cannot be read is
// like readings that were lost.
func (a *assembly) since(saved *ledger.Saved) func(func(bench.Observation) bool) {
	return func(yield func(bench.Observation) bool) {
		for o, err := range a.record.store.Since(context.Background(), saved) {
			if err != nil {
				a.plan.Logger.Warn("not all that was observed last can be read", logkey.Station(saved.Station), logkey.Err(err))
				continue
			}
			if !yield(o) {
				return
			}
		}
	}
}

// recallTold reads the events that were told last.
func (r *record) recallTold() {
	if r.store == nil {
		return
	}
	r.told = map[string][]bench.Event{}
	for e, err := range r.store.Latest(context.Background(), mostTold) {
		if err != nil {
			r.log.Warn("not all events of before can be read", zap.Error(err))
			continue
		}
		if e.Type.IsAlert() {
			continue
		}
		r.told[e.Station] = append(r.told[e.Station], e)
	}
}

// toldOf are the last events of a station, the newest first.
func (r *record) toldOf(id string) []bench.Event { return r.told[id] }

// takeUp notes that the watch of a station goes on, and tells what was concluded
// before it was left and could not be told any more.
func (a *assembly) takeUp(sp StationPlan, drawn []bench.Event) {
	a.record.store.TakeUp(sp.ID, a.now(), a.record.wiring(sp))
	told := map[string]bool{}
	for _, e := range a.record.toldOf(sp.ID) {
		told[e.ID()] = true
	}
	for _, e := range drawn {
		if !told[e.ID()] {
			a.tell([]bench.Event{e}, nil)
		}
	}
}

func (r *record) wiring(sp StationPlan) ledger.Wiring {
	return ledger.Wiring{Bench: r.bench, Hookup: sp.Hookup, Profile: sp.Profile.Name, Window: sp.Window}
}
