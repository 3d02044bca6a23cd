package study

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"benchvigil/configs"
	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
)

// The sets of seeds. Parameters are tuned on one and reported on the other.
const (
	Tune   = "tune"
	Report = "report"
)

// jobLength is how long one station is followed.
const jobLength = 2 * hour

// Options say what to study.
type Options struct {
	Hours    float64 // station-hours over all scenarios
	Seeds    string  // Tune or Report
	Scenario string  // only this one; empty: all
	Workers  int     // goroutines; they change nothing but the time it takes
}

// job is one station.
type job struct {
	sc    *scenario
	seeds string
	n     int
	ends  ms // the story goes on until then; what comes before does not depend on it
}

// name finds the job again: SCENARIO:SEEDS:NUMBER.
func (j job) name() string { return fmt.Sprintf("%s:%s:%d", j.sc.name, j.seeds, j.n) }

// rng gives the job its own random numbers.
func (j job) rng() *rand.Rand {
	h := fnv.New64a()
	fmt.Fprintf(h, "benchvigil study|%s|%s", j.seeds, j.sc.name)
	return rand.New(rand.NewPCG(h.Sum64(), uint64(j.n)))
}

func parseJob(s string) (job, error) {
	part := strings.Split(s, ":")
	if len(part) != 3 {
		return job{}, fmt.Errorf("%q is no job: want SCENARIO:SEEDS:NUMBER", s)
	}
	sc, err := find(part[0])
	if err != nil {
		return job{}, err
	}
	n, err := strconv.Atoi(part[2])
	if err != nil {
		return job{}, fmt.Errorf("job %q: %w", s, err)
	}
	if err := checkSeeds(part[1]); err != nil {
		return job{}, fmt.Errorf("job %q: %w", s, err)
	}
	return job{sc, part[1], n, jobLength}, nil
}

func find(name string) (*scenario, error) {
	for i := range scenarios {
		if scenarios[i].name == name {
			return &scenarios[i], nil
		}
	}
	return nil, fmt.Errorf("%q is no scenario: there are %s", name, strings.Join(Scenarios(), ", "))
}

// Scenarios lists the names.
func Scenarios() (names []string) {
	for i := range scenarios {
		names = append(names, scenarios[i].name)
	}
	return names
}

// jobs shares the hours out.
func (o *Options) jobs() ([]job, error) {
	if err := checkSeeds(o.Seeds); err != nil {
		return nil, err
	}
	if o.Scenario != "" {
		if _, err := find(o.Scenario); err != nil {
			return nil, err
		}
	}
	total := 0
	for i := range scenarios {
		if o.Scenario == "" || o.Scenario == scenarios[i].name {
			total += scenarios[i].weight
		}
	}
	var out []job
	for i := range scenarios {
		sc := &scenarios[i]
		if o.Scenario != "" && o.Scenario != sc.name {
			continue
		}
		share := ms(o.Hours * float64(hour) * float64(sc.weight) / float64(total))
		n := max((share+jobLength/2)/jobLength, 1)
		for k := range n {
			out = append(out, job{sc, o.Seeds, int(k), min(jobLength, share)})
		}
	}
	return out, nil
}

func checkSeeds(s string) error {
	if s != Tune && s != Report {
		return fmt.Errorf("%q is no set of seeds: there are %s and %s", s, Tune, Report)
	}
	return nil
}

// tell tells the story of a job, and returns what is true.
func (j job) tell(wired func(bench.Hookup), emit func(bench.Observation)) *truth {
	r := newRig(j.rng(), j.ends, emit)
	if j.sc.set != nil {
		j.sc.set(r)
	}
	r.true.Under = r.conditions()
	wired(r.hookup)
	if r.hookup.Path == bench.FromSupply {
		r.soon(0, bench.USB{Change: bench.USBRemove, Port: "1-2"})
	}
	for r.left() > 0 {
		j.sc.play(r)
	}
	r.play(5 * second)
	r.tell(bench.Clock{End: true})
	return r.finish()
}

// finish closes the books.
func (r *rig) finish() *truth {
	t := &r.true
	t.End = r.now
	if n := len(t.Runs); n > 0 && t.Runs[n-1].End == never {
		t.Runs[n-1].Proof = r.seen()
	}
	for i := range t.Spans {
		s := &t.Spans[i]
		s.To = min(s.To, t.End)
		switch s.Mode {
		case bench.Restoring:
			t.Restore += s.To - s.From
		case bench.RePairing:
			t.RePair += s.To - s.From
		}
	}
	return t
}

// run follows the job with an engine and scores what it tells.
func (j job) run(p *profile.Profile) (y *Tally, under []string, readings int) {
	var e *infer.Engine
	var events []bench.Event
	t := j.tell(
		func(h bench.Hookup) { e = infer.New(p, infer.Station{ID: Station, Hookup: h}) },
		func(o bench.Observation) {
			readings++
			events = append(events, e.Step(o)...)
		})
	y = score(t, events)
	for i := range y.worst {
		y.worst[i].Job = j.name()
	}
	return y, t.Under, readings
}

// Run studies what the options say.
func Run(o Options) (*Result, error) {
	jobs, err := o.jobs()
	if err != nil {
		return nil, err
	}
	families, err := profiles()
	if err != nil {
		return nil, err
	}
	tallies, under := make([]*Tally, len(jobs)), make([][]string, len(jobs))
	var next, seen atomic.Int64
	var wg sync.WaitGroup
	for range max(o.Workers, 1) {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(jobs) {
					return
				}
				var n int
				tallies[i], under[i], n = jobs[i].run(families[jobs[i].sc.profile])
				seen.Add(int64(n))
			}
		})
	}
	wg.Wait()
	res := collect(o, jobs, tallies, seen.Load())
	res.Conditions = byCondition(tallies, under)
	return res, nil
}

// profiles reads the profiles of the scenarios.
func profiles() (map[string]*profile.Profile, error) {
	a, err := profile.Load(configs.Profiles(), handset)
	if err != nil {
		return nil, err
	}
	b, err := profile.Load(ownProfiles, "profiles/"+sameIdent)
	if err != nil {
		return nil, err
	}
	return map[string]*profile.Profile{handset: a, sameIdent: b}, nil
}

// Result is the outcome of a study. Of is free words: what was studied.
type Result struct {
	Of           string `json:",omitempty"`
	Seeds        string
	Observations int64
	Overall      *Tally
	Scenarios    []Outcome
	Conditions   []Outcome // the same hours, by what the stations were watched with
	Worst        []Case    `json:"-"`
}

// Outcome is that of one scenario, or under one condition.
type Outcome struct {
	Name string
	*Tally
}

// byCondition adds the jobs up anew.
func byCondition(tallies []*Tally, under [][]string) []Outcome {
	sums := map[string]*Tally{}
	for i, y := range tallies {
		for _, c := range under[i] {
			if sums[c] == nil {
				sums[c] = newTally()
			}
			sums[c].add(y)
		}
	}
	var out []Outcome
	for _, c := range slices.Sorted(maps.Keys(sums)) {
		out = append(out, Outcome{c, sums[c]})
	}
	return out
}

func collect(o Options, jobs []job, tallies []*Tally, seen int64) *Result {
	res := &Result{Seeds: o.Seeds, Observations: seen, Overall: newTally()}
	for i, y := range tallies {
		if n := len(res.Scenarios); n == 0 || res.Scenarios[n-1].Name != jobs[i].sc.name {
			res.Scenarios = append(res.Scenarios, Outcome{jobs[i].sc.name, newTally()})
		}
		res.Scenarios[len(res.Scenarios)-1].add(y)
		res.Overall.add(y)
	}
	res.Worst = res.Overall.worst
	slices.SortStableFunc(res.Worst, func(a, b Case) int { return cmp.Compare(b.Weight, a.Weight) })
	return res
}

// Tell tells the story of one job, named as a Case names it: how the station is
// wired, then every observation. It returns the file name of the profile.
func Tell(name string, wired func(bench.Hookup), emit func(bench.Observation)) (profile string, err error) {
	j, err := parseJob(name)
	if err != nil {
		return "", err
	}
	j.tell(wired, emit)
	return j.sc.profile, nil
}

// Read reads a result that was written as JSON.
func Read(r io.Reader) (*Result, error) {
	var res Result
	if err := json.NewDecoder(r).Decode(&res); err != nil {
		return nil, fmt.Errorf("read the result of a study: %w", err)
	}
	return &res, nil
}
