package eval_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// A story is rows, ten a second, given to scorers.
type story struct {
	m    moment
	each func(*moment)
}

// tell goes on for a while with the vessel going to kPa in even steps. Change, where there is one, changes the first row.
func (s *story) tell(d time.Duration, kPa float64, pressed bool, word vent.Word, change func(*moment)) {
	from, n := s.m.now.vessel, int(d/tenHertz)
	for i := range n {
		was := s.m.now.vessel
		s.m.at = s.m.at.Add(tenHertz)
		s.m.now.at, s.m.now.pressed = s.m.at, pressed
		s.m.now.vessel = from + (kPa*1e3-from)*float64(i+1)/float64(n)
		if was <= limit && s.m.now.vessel > limit {
			s.m.rose = s.m.at
		}
		s.m.judge.Word, s.m.answer.Word = word, word
		s.m.vents, s.m.gauges, s.m.samples = nil, nil, nil
		s.m.samples = []points.Sample{{Point: points.Control, At: s.m.at, Quality: points.Good, Pressed: pressed}}
		if i == 0 && change != nil {
			change(&s.m)
		}
		s.each(&s.m)
	}
}

func healthyPot() *folder {
	f := &folder{name: "alder", healthy: true, first: [2]si.Instant{1, si.Instant(tenHertz/time.Microsecond) + 1}}
	f.pot.Points = points.SetOf(points.Vessel, points.Hose, points.Control)
	f.pot.Control.Electric = true
	f.pot.Gauges[points.Vessel] = vent.Gauge{Hi: 200 * si.PSI}
	return f
}

const (
	vented     = vent.Vented
	notProven  = vent.NotProven
	pressurise = vent.Pressurised
)

// The word: what is said too soon, too long, too late and never, is counted where it is, and nothing else.
func TestWordScorer(t *testing.T) {
	w := newWordScorer(healthyPot())
	s := &story{m: moment{at: 1e6}, each: w.row}
	s.tell(time.Second, 0, false, notProven, nil)
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(5*time.Second, 0, false, notProven, nil) // half a psi is passed in the last row
	s.tell(2*time.Second, 0, false, notProven, nil)
	s.tell(10*time.Second, 0, false, vented, nil)
	// Rising through the limit without a press: one second is allowed.
	s.tell(500*time.Millisecond, 8, false, vented, nil)
	s.tell(900*time.Millisecond, 8, false, vented, nil)
	if w.s.wrong != 0 || w.s.risen != 2 {
		t.Errorf("within a second: %+v", w.s)
	}
	s.tell(time.Second, 8, false, vented, nil)
	if w.s.wrong < 8 || w.s.wrong > 11 || w.s.wrongly != 1 {
		t.Errorf("over a second: %d samples in %d times", w.s.wrong, w.s.wrongly)
	}
	was := w.s.wrong
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(500*time.Millisecond, 300, false, vented, nil) // falling over the limit: none is allowed
	if w.s.wrong != was+5 {
		t.Errorf("falling: %d samples", w.s.wrong-was)
	}
	s.tell(5*time.Second, 0, false, notProven, nil)
	s.tell(15*time.Second, 0, false, notProven, nil) // never
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(5*time.Second, 0, false, notProven, nil)
	s.tell(5*time.Second, 0, false, vented, nil) // too short a rest to time
	s.tell(10*time.Second, 600, true, pressurise, nil)
	got := w.score()
	if len(got.delays) != 1 || got.delays[0] < 2*time.Second || got.delays[0] > 2200*time.Millisecond || got.never != 1 || got.risen != 4 {
		t.Errorf("%+v", got)
	}
	// Due: 10 s, 0.5 s up to the limit, then of the 15 s those over 6 s, then 5 s; the time over the limit is not.
	if p := got.parts[0]; p.due < 235 || p.due > 255 || p.due-p.given < 85 || p.due-p.given > 95 {
		t.Errorf("due %+v", p)
	}
	w.f.first[1] = w.f.first[0].Add(time.Second)
	if got := w.score(); got.delays != nil || got.parts != nil || got.wrong == 0 {
		t.Errorf("of a slow log: %+v", got)
	}
}

// The watch: a shut exhaust that is found, one that is not, and a finding at a healthy pot.
func TestWatchScorer(t *testing.T) {
	f := healthyPot()
	f.healthy = false
	w := newWatchScorer(f)
	s := &story{m: moment{at: 1e6}, each: w.row}
	slow := func(m *moment) {
		m.vents = []ventFinding{{vent.VentSlow, vent.Finding{On: true}}}
	}
	s.m.now.exhaust = 0.05
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(300*time.Millisecond, 600, false, pressurise, nil) // the lag
	s.tell(1700*time.Millisecond, 560, false, pressurise, nil)
	s.tell(time.Second, 550, false, pressurise, slow)
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(9*time.Second, 500, false, pressurise, nil) // not found
	s.m.now.exhaust = 1
	s.tell(10*time.Second, 600, true, pressurise, nil)
	s.tell(5*time.Second, 0, false, pressurise, nil)
	got := &w.s.nominal
	if got.vents != 2 || len(got.missed) != 1 || len(got.whole) != 1 || len(got.lags) != 3 {
		t.Fatalf("%+v", got)
	}
	if whole, lag := got.whole[0], got.whole[0]-got.delays[0]; whole < 1900*time.Millisecond || whole > 2100*time.Millisecond || lag < 600*time.Millisecond || lag > 900*time.Millisecond {
		t.Errorf("found after %v, of which %v is lag", whole, lag)
	}
	if w.s.cycles != 0 || w.s.falsely != 0 {
		t.Errorf("a faulty pot counts as healthy: %+v", w.s)
	}
	w = newWatchScorer(healthyPot())
	s = &story{m: moment{at: 1e6}, each: w.row}
	s.m.now.exhaust = 1
	for range 3 {
		s.tell(10*time.Second, 600, true, pressurise, nil)
		s.tell(5*time.Second, 0, false, pressurise, nil)
	}
	s.tell(time.Second, 0, false, pressurise, slow)
	if w.s.cycles != 3 || w.s.falsely != 1 || w.s.nominal.vents != 0 {
		t.Errorf("%+v", w.s)
	}
}

// Gauges: what is found of the right gauge counts by its own measure, all else as besides.
func TestGaugeScorer(t *testing.T) {
	begin := func(fault faultyGauge, healthy bool) (*gaugeScorer, *story) {
		f := healthyPot()
		f.name, f.healthy = gaugeFaults+"-7/alder", healthy
		g := newGaugeScorer(f)
		s := &story{m: moment{at: 1e6}, each: g.row}
		s.m.now.air = 0.1
		s.tell(10*time.Second, 600, true, pressurise, nil)
		if !healthy {
			s.m.now.gauges = []faultyGauge{fault}
		}
		return g, s
	}
	found := func(p points.Point, k gauges.Kind) func(*moment) {
		return func(m *moment) { m.gauges = []gaugeFinding{{p, k, gauges.Finding{On: true}}} }
	}
	cycle := func(s *story) {
		s.tell(5*time.Second, 0, false, notProven, nil)
		s.tell(10*time.Second, 600, true, pressurise, nil)
	}

	g, s := begin(faultyGauge{Point: "hose", Fault: "stuck"}, false)
	s.tell(time.Second, 600, true, pressurise, nil)
	s.tell(20*time.Second, 0, false, notProven, found(points.Vessel, gauges.Stuck)) // of another
	s.tell(2*time.Second, 600, true, pressurise, nil)                               // up after half of it
	s.tell(time.Second, 600, true, pressurise, found(points.Hose, gauges.Stuck))
	if got := g.score(); len(got.stuck) != 1 || got.stuck[0] < 1900*time.Millisecond || got.stuck[0] > 2300*time.Millisecond || got.beside[gauges.Stuck] != 1 || got.stuckMissed != nil {
		t.Errorf("stuck: %+v", got)
	}
	g, s = begin(faultyGauge{Point: "hose", Fault: "stuck"}, false)
	cycle(s)
	if got := g.score(); len(got.stuck) != 1 || got.stuck[0] != never || len(got.stuckMissed) != 1 {
		t.Errorf("stuck and not found: %+v", got)
	}

	// A vessel that holds its pressure has nothing that its gauge could lag behind: counted apart.
	g, s = begin(faultyGauge{Point: "vessel", Fault: "port", LagS: 0.7}, false)
	g.f.pot.Vessel.HoldsPressure = true
	cycle(s)
	cycle(s)
	cycle(s)
	if got := g.score(); got.untold != 1 || got.slow != 0 || got.slowMissed != nil {
		t.Errorf("what cannot be told: %+v", got)
	}

	for cycles, missed := range map[int]int{1: 0, 2: 1} { // the press after the second vent is too late
		g, s = begin(faultyGauge{Point: "vessel", Fault: "port", LagS: 0.7}, false)
		for range cycles {
			cycle(s)
		}
		s.tell(time.Second, 600, true, pressurise, found(points.Vessel, gauges.SlowPort))
		if got := g.score(); got.slow != 1 || len(got.slowMissed) != missed {
			t.Errorf("slow, found after %d vents: %+v", cycles, got)
		}
	}
	for lag, want := range map[float64][4]int{0.15: {1, 1, 0, 0}, 0.4: {0, 0, 1, 1}} {
		g, s = begin(faultyGauge{Point: "vessel", Fault: "port", LagS: lag}, false)
		s.tell(time.Second, 600, true, pressurise, found(points.Vessel, gauges.SlowPort))
		if got := g.score(); [4]int{got.quick, got.never, got.between, got.betweenFound} != want || got.slow != 0 {
			t.Errorf("lag %v: %+v", lag, got)
		}
	}

	g, s = begin(faultyGauge{Point: "vessel", Fault: "swapped", With: "hose"}, false)
	s.tell(time.Second, 0, false, notProven, nil)
	s.tell(time.Second, 600, true, pressurise, found(points.Hose, gauges.Swapped))
	s.tell(time.Second, 600, true, pressurise, found(points.Vessel, gauges.Swapped)) // the other of the pair
	if got := g.score(); len(got.swap) != 1 || got.swap[0] != time.Second || got.swapMissed != nil || got.beside[gauges.Swapped] != 0 {
		t.Errorf("swapped: %+v", got)
	}
	g, s = begin(faultyGauge{Point: "vessel", Fault: "swapped", With: "hose"}, false)
	s.tell(8*time.Minute, 0, false, notProven, nil)
	if got := g.score(); len(got.swapMissed) != 1 {
		t.Errorf("swapped and not found: %+v", got)
	}

	g, s = begin(faultyGauge{Point: "vessel", Fault: "drift", ZeroPa: -0.55 * si.PSI}, false)
	s.tell(5*time.Second, 0, false, notProven, found(points.Vessel, gauges.ZeroDrift))
	if got := g.score(); len(got.offsets) != 1 || got.offsets[0] != 0.55*si.PSI || got.driftMissed != nil {
		t.Errorf("drift: %+v", got)
	}
	g, s = begin(faultyGauge{Point: "vessel", Fault: "drift", ZeroPa: 0.8 * si.PSI}, false)
	s.tell(5*time.Second, 0, false, notProven, nil)
	if got := g.score(); len(got.offsets) != 0 || len(got.driftMissed) != 1 {
		t.Errorf("drift and not found: %+v", got)
	}

	g, s = begin(faultyGauge{}, true)
	cycle(s)
	s.tell(time.Second, 600, true, pressurise, found(points.Hose, gauges.Noisy))
	if got := g.score(); got.falsely[gauges.Noisy] != 1 || got.pots != 1 || got.cycles != 1 || got.faulty != 0 {
		t.Errorf("healthy: %+v", got)
	}
}
