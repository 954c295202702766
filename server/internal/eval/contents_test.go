package eval_test

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/potparams"
)

// A way is how much of a pot is read. Every log is played in all of them.
type way struct {
	name  string
	lacks points.Set // points that the pot does not have
	every int        // of the log's rows, one of so many
	noise float64    // added to every gauge: standard deviation, share of the range
}

// The ways; the first is the whole log, ten rows a second.
var ways = [...]way{
	{name: "all points, 10 Hz", every: 1},
	{name: "no nozzle point", every: 1, lacks: points.SetOf(points.Nozzle)},
	{name: "vessel + control only", every: 1, lacks: points.SetOf(points.Supply, points.Separator, points.Hose, points.Nozzle)},
	{name: "5 Hz", every: 2},
	{name: "noisy gauges", every: 1, noise: 0.003},
}

const (
	whole = iota
	noNozzle
	vesselOnly
	fiveHertz
	noisy
)

// A state is what was really the case at an instant, of what is inside and of what wears. Pressures are gauge Pa.
type state struct {
	at         si.Instant
	pressed    bool
	p          [points.Count]float64
	level      float64 // share of capacity
	kg         float64 // of abrasive
	metered    float64 // kg/s
	air        float64 // kg/s
	loading    float64
	bore       float64 // m
	resistance [points.SegmentCount]float64
	exhaust    float64
	airOnly    bool // the metering valve is shut on purpose
	blocked    bool // it is blocked
}

func (s *state) vessel() float64 { return s.p[points.Vessel] }

// blasting tells whether air flows out of the nozzle with the vessel up.
func (s *state) blasting() bool {
	return s.pressed && s.air > 0 && s.vessel() > upAt && s.vessel() > s.p[points.Hose]
}

// A record is one pot's run, to be played several times.
type record struct {
	*folder
	truth   []state
	rows    []row
	samples []points.Sample // of all rows
}

// A row is where its samples begin.
type row struct {
	at    si.Instant
	first int
}

// rowOf are the samples of a row.
func (r *record) rowOf(i int) []points.Sample {
	if i+1 < len(r.rows) {
		return r.samples[r.rows[i].first:r.rows[i+1].first]
	}
	return r.samples[r.rows[i].first:]
}

// read takes a folder into memory.
func read(root, dir string) (*record, error) {
	f, err := openPot(root, dir)
	if err != nil {
		return nil, err
	}
	r := &record{folder: f}
	if r.truth, err = states(f); err != nil {
		return nil, err
	}
	err = f.rows(func(at si.Instant, samples []points.Sample) {
		r.rows = append(r.rows, row{at, len(r.samples)})
		r.samples = append(r.samples, samples...)
	})
	if err == nil && (len(r.truth) < 2 || len(r.rows) < 2) {
		err = fmt.Errorf("%s: nothing to play", f.name)
	}
	return r, err
}

// states reads the truth.
func states(f *folder) (out []state, err error) {
	in, err := os.Open(filepath.Join(f.dir, "truth.jsonl"))
	if err != nil {
		return nil, err
	}
	defer in.Close()
	lines := bufio.NewScanner(in)
	var v struct {
		T          time.Time           `json:"t"`
		Pressed    bool                `json:"pressed"`
		TruePa     map[string]float64  `json:"true_pa"`
		Faults     []string            `json:"faults"`
		Level      float64             `json:"level"`
		LevelKg    float64             `json:"level_kg"`
		MeteredKgS float64             `json:"metered_kg_s"`
		AirKgS     float64             `json:"air_kg_s"`
		Loading    float64             `json:"loading"`
		BoreM      float64             `json:"bore_m"`
		Resistance map[string]*float64 `json:"resistance"`
		Exhaust    *float64            `json:"exhaust"`
	}
	for lines.Scan() {
		v.Faults, v.Exhaust = v.Faults[:0], nil
		if err := json.Unmarshal(lines.Bytes(), &v); err != nil {
			return nil, fmt.Errorf("%s: truth %q: %w", f.name, lines.Text(), err)
		}
		if v.T.IsZero() || v.Exhaust == nil || len(v.TruePa) < points.Count {
			return nil, fmt.Errorf("%s: truth %q lacks t, exhaust or a pressure", f.name, lines.Text())
		}
		s := state{at: si.InstantOf(v.T), pressed: v.Pressed, level: v.Level, kg: v.LevelKg, metered: v.MeteredKgS, air: v.AirKgS, loading: v.Loading, bore: v.BoreM, exhaust: *v.Exhaust}
		for _, pt := range points.All() {
			s.p[pt] = v.TruePa[pt.String()]
		}
		for seg := range points.Segment(points.SegmentCount) {
			if r := v.Resistance[seg.String()]; r != nil {
				s.resistance[seg] = *r
			}
		}
		s.airOnly = v.MeteredKgS == 0 && slices.Contains(v.Faults, "metering_by")
		s.blocked = slices.Contains(v.Faults, "metering blocked")
		out = append(out, s)
	}
	return out, lines.Err()
}

// A said is what is said of the pot after a row, and what was really the case.
type said struct {
	at      si.Instant
	now     *state // the newest truth
	samples []points.Sample
	vents   []ventFinding

	level    *level.Estimate
	wear     *[wear.Parts]wear.Index
	losses   *losses.Estimate
	baseline *baseline.Set
	serve    func(engine.Service) // records a service
	served   func(wear.Part) wear.Service
}

// play lets a follower have the record in one of the ways, and calls each after every row.
func (r *record) play(w way, each func(s *said)) {
	pot := r.pot
	pot.Points &^= w.lacks
	follow := potparams.Follower(pot, 0)
	var seen vent.Seen
	rng := rand.New(rand.NewPCG(uint64(r.rows[0].at), 0x6e6f6973))
	out := &follow.Out
	s := said{level: &out.Level, wear: &out.Wear, losses: &out.Losses, baseline: &out.Baseline, serve: follow.Serve, served: follow.Served}
	j := 0
	for i := 0; i < len(r.rows); i += w.every {
		s.at = r.rows[i].at
		for j+1 < len(r.truth) && r.truth[j+1].at <= s.at {
			j++
		}
		s.now, s.samples, s.vents = &r.truth[j], s.samples[:0], s.vents[:0]
		for _, x := range r.rowOf(i) {
			if !pot.Points.Has(x.Point) {
				continue
			}
			if g := pot.Gauges[x.Point]; w.noise > 0 && x.Quality == points.Good && g.Hi > g.Lo {
				x.Value += si.GaugePressure(w.noise * float64(g.Hi-g.Lo) * rng.NormFloat64())
			}
			s.samples = append(s.samples, x)
			follow.Step(x)
		}
		follow.Watch.Tell(&seen, func(c vent.Condition, x vent.Finding) { s.vents = append(s.vents, ventFinding{c, x}) })
		each(&s)
	}
}

// Families whose pots are blasted from full to empty, and how long their sites are played.
const (
	steadyFills  = "steady-fills"
	changedFills = "changed-fills"
	lateShut     = "late-shut-exhausts"
	slowWear     = "slow-wear"
)

// A stock is what is drawn of a family.
type stock struct {
	family      string
	length      time.Duration
	truthEvery  string
	quick, full int // sites of three pots
}

var stocks = []stock{
	{steadyFills, 5 * time.Hour, "500ms", 4, 13},
	{changedFills, 5 * time.Hour, "500ms", 4, 13},
	{lateShut, 160 * time.Minute, "200ms", 3, 14},
	{slowWear, 10 * time.Hour, "1s", 3, 11},
}

// healthyOnes are families besides that TestTune knows: of those false findings alone are scored here.
var healthyOnes = []stock{{family: "crews", length: time.Hour, truthEvery: "200ms"}, {family: shortCycles, length: shortLength, truthEvery: "200ms"}}

// A contents is all that was scored of what is inside and of what wears, in one way, of one run or several.
type contents struct {
	pots  int
	hours float64
	level levelScore
	stops stopScore
	vents ventScore
	wear  wearScore
	parts partScore
}

func (s *contents) add(o *contents) {
	s.pots, s.hours = s.pots+o.pots, s.hours+o.hours
	s.level.add(&o.level)
	s.stops.add(&o.stops)
	s.vents.add(&o.vents)
	s.wear.add(&o.wear)
	s.parts.add(&o.parts)
}

// scored is a record's score in one way.
func (r *record) scored(family string, w way) *contents {
	out := &contents{pots: 1, hours: r.truth[len(r.truth)-1].at.Sub(r.truth[0].at).Hours()}
	level, stops, vents, wear, parts := newLevelScorer(r, family), newStopScorer(r, family), newVentScorer(r, family), newWearScorer(r, family), newPartScorer(r, family)
	r.play(w, func(s *said) {
		level.row(s)
		stops.row(s)
		vents.row(s)
		wear.row(s)
		parts.row(s)
	})
	out.level, out.stops, out.vents, out.wear, out.parts = level.score(), stops.score(), vents.score(), wear.score(), parts.s
	return out
}

// A reading is the scores in all ways.
type reading [len(ways)]contents

// fills scores a site of a stock under a seed. Where sites are kept its files stay, and are used again.
func (s simulator) fills(ctx context.Context, k stock, seed uint64) (sum *reading, err error) {
	dir := filepath.Join(s.dir, fmt.Sprintf("%s-%d", k.family, seed))
	if s.kept != "" {
		dir = filepath.Join(s.kept, fmt.Sprintf("%s-%d-%v", k.family, seed, k.length))
	} else {
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	if _, missing := os.Stat(dir); missing != nil {
		if err := s.write(ctx, k.family, seed, k.length, k.truthEvery, dir); err != nil {
			return nil, err
		}
	}
	pots, err := folders(dir)
	if err != nil {
		return nil, err
	}
	sum = new(reading)
	for _, pot := range pots {
		r, err := read(filepath.Dir(dir), pot)
		if err != nil {
			return nil, err
		}
		for i, w := range ways {
			sum[i].add(r.scored(k.family, w))
		}
	}
	return sum, nil
}

// contents scores sites of all families asked for, seeds from the first on.
func (s simulator) contents(ctx context.Context, of []stock, first uint64, sites func(k stock) int) (all *reading, err error) {
	type job struct {
		k    stock
		seed uint64
	}
	var jobs []job
	for _, k := range of {
		for i := range uint64(sites(k)) {
			jobs = append(jobs, job{k, first + i})
		}
	}
	// The longest first, so that no core waits for one of them at the end.
	slices.SortStableFunc(jobs, func(a, b job) int { return int(b.k.length - a.k.length) })
	each, err := together(len(jobs), func(i int) (*reading, error) { return s.fills(ctx, jobs[i].k, jobs[i].seed) })
	if err != nil {
		return nil, err
	}
	all = new(reading)
	for _, one := range each {
		for i := range all {
			all[i].add(&one[i])
		}
	}
	return all, nil
}

// played tells what was scored.
func (all *reading) played(of []stock, sites func(k stock) int) string {
	var what []string
	for _, k := range of {
		what = append(what, fmt.Sprintf("%s under %s, %s each", k.family, seedsFrom(sites(k)), minutes(k.length)))
	}
	return fmt.Sprintf("Scored were %s: %d pots, %.0f hours in all, each log in %d ways.", strings.Join(what, "; "), all[whole].pots, all[whole].hours, len(ways))
}

// fewNotes are how many notes of a row the other ways add.
const fewNotes = 3

// board makes the second table: every row for the whole log, and the same figures in the other ways.
func (all *reading) board() *board {
	b := &board{ways: true}
	for _, figures := range []func(of *contents, b *board){
		func(s *contents, b *board) { s.vents.figures(b) },
		func(s *contents, b *board) { s.level.figures(b) },
		func(s *contents, b *board) { s.stops.figures(b) },
		func(s *contents, b *board) { s.wear.figures(b) },
		func(s *contents, b *board) { s.parts.figures(b) },
	} {
		var of [len(ways)]board
		for i := range all {
			figures(&all[i], &of[i])
		}
		for k, f := range of[whole].rows {
			for i, other := range of[1:] {
				f.less = append(f.less, other.rows[k].short())
				for _, n := range other.rows[k].notes[:min(fewNotes, len(other.rows[k].notes))] {
					f.notes = append(f.notes[:len(f.notes):len(f.notes)], ways[i+1].name+": "+n)
				}
			}
			b.row(f)
		}
		for k, f := range of[whole].facts {
			for _, other := range of[1:] {
				f.less = append(f.less, other.facts[k].short())
			}
			b.fact(f)
		}
	}
	all.boreRows(b)
	return b
}

// short is what was measured, of how many.
func (f *figure) short() string {
	switch {
	case f.measured == "none":
		return "none"
	case strings.HasPrefix(f.measured, "no "):
		return "none of " + f.of
	}
	return f.measured + " of " + f.of
}

// TestTune scores what EVAL_TUNE names, as package's documentation says.
func TestTune(t *testing.T) {
	asked := strings.Fields(os.Getenv("EVAL_TUNE"))
	if len(asked) == 0 {
		t.Skip("EVAL_TUNE names nothing to tune on")
	}
	var from, to uint64
	if len(asked) < 2 || len(asked) > 3 {
		t.Fatalf("EVAL_TUNE is %q; write for example \"steady-fills,slow-wear 1-3 4h\"", os.Getenv("EVAL_TUNE"))
	}
	if _, err := fmt.Sscanf(asked[1], "%d-%d", &from, &to); err != nil || to < from || to >= firstSeed {
		t.Fatalf("EVAL_TUNE has the seeds %q; write for example 1-3, under %d", asked[1], firstSeed)
	}
	var of []stock
	for _, k := range slices.Concat(stocks, healthyOnes) {
		if !slices.Contains(strings.Split(asked[0], ","), k.family) {
			continue
		}
		if len(asked) == 3 {
			length, err := time.ParseDuration(asked[2])
			if err != nil {
				t.Fatalf("EVAL_TUNE has the length %q: %v", asked[2], err)
			}
			k.length = length
		}
		of = append(of, k)
	}
	if len(of) == 0 {
		t.Fatalf("EVAL_TUNE names the families %q; there are %s, %s, %s and %s, and healthy crews and %s", asked[0], steadyFills, changedFills, lateShut, slowWear, shortCycles)
	}
	sim := simulator{program: os.Getenv("EVAL_SIM"), dir: t.TempDir(), kept: os.Getenv("EVAL_KEEP")}
	if sim.program == "" {
		t.Fatal("EVAL_SIM must name the simulator's program")
	}
	all, err := sim.contents(t.Context(), of, from, func(stock) int { return int(to - from + 1) })
	if err != nil {
		t.Fatal(err)
	}
	b := all.board()
	for i := range b.rows {
		b.rows[i].why = cmp.Or(b.rows[i].why, "tuning")
	}
	b.print(t, fmt.Sprintf("%d pots, %.0f hours", all[whole].pots, all[whole].hours))
}
