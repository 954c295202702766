package eval_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// A gaugeScore is what was found of gauges in one run or several.
type gaugeScore struct {
	pots, cycles int               // healthy ones, and their releases with the vessel up
	falsely      [gauges.Kinds]int // findings at healthy pots
	beside       [gauges.Kinds]int // at pots with one faulty gauge: of another gauge, of another kind, or before the fault
	faulty       int               // such pots
	where        []string          // of the first
	besideAt     []string          // of the second
	stuck        lateness          // in seconds of blasting; never: those of stuckMissed
	stuckMissed  []string          // blasted for long, and never found
	slow         int               // ports of slowLag or more, with two vents and the next press
	slowMissed   []string          // of them those not found by then
	quick, never int               // ports under quickLag; those found nevertheless
	between      int               // ports between the two
	betweenFound int               //
	swap         lateness          // from the first release; found before it: none; never: as above
	swapMissed   []string          // not found in swapWithin
	untold       int               // faults that the pot's pressures cannot tell, by the documentation of gauges
	untoldFound  int               // of them found nevertheless
	offsets      []si.PressureDrop // what a drifting gauge showed of no pressure when that was found, without its sign
	driftMissed  []string          // farther off than driftSurely, rested, and not found
}

// lateness is how late something was found.
type lateness []time.Duration

func (s *gaugeScore) add(o gaugeScore) {
	s.pots, s.cycles, s.faulty, s.where = s.pots+o.pots, s.cycles+o.cycles, s.faulty+o.faulty, append(s.where, o.where...)
	s.besideAt = append(s.besideAt, o.besideAt...)
	for k := range s.falsely {
		s.falsely[k] += o.falsely[k]
		s.beside[k] += o.beside[k]
	}
	s.stuck, s.stuckMissed = append(s.stuck, o.stuck...), append(s.stuckMissed, o.stuckMissed...)
	s.slow, s.slowMissed, s.quick, s.never = s.slow+o.slow, append(s.slowMissed, o.slowMissed...), s.quick+o.quick, s.never+o.never
	s.between, s.betweenFound = s.between+o.between, s.betweenFound+o.betweenFound
	s.swap, s.swapMissed = append(s.swap, o.swap...), append(s.swapMissed, o.swapMissed...)
	s.untold, s.untoldFound = s.untold+o.untold, s.untoldFound+o.untoldFound
	s.offsets, s.driftMissed = append(s.offsets, o.offsets...), append(s.driftMissed, o.driftMissed...)
}

const (
	slowLag     = 600 * time.Millisecond
	quickLag    = 200 * time.Millisecond
	stuckWithin = 3 * time.Second
	swapWithin  = 7 * time.Minute
	driftAim    = 0.5 * si.PSI
	driftSurely = 0.75 * si.PSI
	never       = time.Hour // as late as what was never found counts
)

// told tells whether a fault can be told by the pot's pressures at all: package gauges says why these cannot.
func (g *gaugeScorer) told() bool {
	has, holds := g.f.pot.Points.Has, g.f.pot.Vessel.HoldsPressure
	at := func(of ...points.Point) bool {
		return slices.ContainsFunc(of, func(p points.Point) bool { return p.String() == g.fault.Point || p.String() == g.fault.With })
	}
	switch kindOf[g.fault.Fault] {
	case gauges.SlowPort:
		return !at(points.Vessel) || !holds && (has(points.Hose) || has(points.Nozzle))
	case gauges.Swapped:
		return !holds || !at(points.Vessel) || !at(points.Hose, points.Nozzle) && has(points.Control)
	}
	return true
}

// kindOf is what is to be found of a fault in the truth's words.
var kindOf = map[string]gauges.Kind{"stuck": gauges.Stuck, "port": gauges.SlowPort, "drift": gauges.ZeroDrift, "swapped": gauges.Swapped}

// A gaugeScorer scores what is found of a pot's gauges row by row: of healthy pots, and of those with one faulty gauge.
type gaugeScorer struct {
	f      *folder
	s      gaugeScore
	judged bool // healthy, or of one faulty gauge and nothing else

	before truth
	last   si.Instant
	fault  faultyGauge // as it was last
	onset  si.Instant  // 0: not yet

	blasted  time.Duration // since the onset
	released si.Instant    // first release since the onset; 0: none yet
	vents    int           // begun and ended since the onset
	venting  bool
	over     bool // two vents and the next press have been
	found    bool
}

func newGaugeScorer(f *folder) *gaugeScorer {
	g := &gaugeScorer{f: f, judged: true}
	if f.healthy {
		g.s.pots = 1
		return g
	}
	if g.judged = strings.HasPrefix(f.name, gaugeFaults); g.judged {
		g.s.faulty = 1
	}
	return g
}

func first(of []faultyGauge) (f faultyGauge) {
	if len(of) > 0 {
		return of[0]
	}
	return f
}

func (g *gaugeScorer) row(m *moment) {
	if !g.judged {
		return
	}
	step := min(m.at.Sub(g.last), time.Second)
	if g.last == 0 {
		step = 0
	}
	g.last = m.at
	if f := first(m.now.gauges); f.Fault != "" {
		if g.fault = f; g.onset == 0 {
			g.onset = m.at
		}
	}
	released := g.before.pressed && !m.now.pressed && m.now.vessel > upAt
	if released && g.f.healthy {
		g.s.cycles++
	}
	if g.onset != 0 {
		if m.now.pressed && m.now.air > 0 && m.now.vessel > upAt {
			g.blasted += step
		}
		if released && g.released == 0 {
			g.released = m.at
		}
		switch {
		case released:
			g.venting = true
		case g.venting && m.now.vessel < limit:
			g.venting = false
			g.vents++
		case m.now.pressed && !g.before.pressed && g.vents >= 2:
			g.over = true
		}
	}
	g.before = m.now
	for _, x := range m.gauges {
		if x.On {
			g.finding(m.at, x)
		}
	}
}

func (g *gaugeScorer) finding(at si.Instant, x gaugeFinding) {
	s, k, name := &g.s, x.Kind, x.Point.String()
	right := g.onset != 0 && k == kindOf[g.fault.Fault] && (name == g.fault.Point || k == gauges.Swapped && name == g.fault.With)
	switch {
	case g.f.healthy:
		s.falsely[k]++
		s.where = append(s.where, fmt.Sprintf("%s: %v at %s at %v, %.3g", g.f.name, k, name, at, x.Size))
	case !right:
		s.beside[k]++
		s.besideAt = append(s.besideAt, fmt.Sprintf("%s (%s %s since %v): %v at %s at %v, %.3g", g.f.name, g.fault.Point, g.fault.Fault, g.onset, k, name, at, x.Size))
	case g.found:
	case !g.told():
		g.found = true
		s.untoldFound++
	default:
		g.found = true
		switch k {
		case gauges.Stuck:
			s.stuck = append(s.stuck, g.blasted)
		case gauges.ZeroDrift:
			s.offsets = append(s.offsets, si.PressureDrop(math.Abs(g.fault.ZeroPa)))
		case gauges.SlowPort:
			switch lag := g.lag(); {
			case lag < quickLag:
				s.never++
			case lag < slowLag:
				s.betweenFound++
			case g.over:
				s.slow++
				s.slowMissed = append(s.slowMissed, g.describe()+fmt.Sprintf(": found at %v, after %d vents", at, g.vents))
			default:
				s.slow++
			}
		case gauges.Swapped:
			late := time.Duration(0)
			if g.released != 0 {
				late = at.Sub(g.released)
			}
			s.swap = append(s.swap, late)
			if late > swapWithin {
				s.swapMissed = append(s.swapMissed, g.describe()+fmt.Sprintf(": found after %v", late))
			}
		}
	}
}

func (g *gaugeScorer) lag() time.Duration { return time.Duration(g.fault.LagS * float64(time.Second)) }

func (g *gaugeScorer) describe() string {
	return fmt.Sprintf("%s (%v a row), %+v since %v", g.f.name, g.f.period(), g.fault, g.onset)
}

// score is what has come out when the run is over.
func (g *gaugeScorer) score() gaugeScore {
	s := g.s
	if g.onset == 0 {
		return s
	}
	if !g.told() {
		s.untold++
		return s
	}
	if k := kindOf[g.fault.Fault]; k == gauges.SlowPort {
		switch lag := g.lag(); {
		case lag < quickLag:
			s.quick++
		case lag < slowLag:
			s.between++
		case !g.found && g.over:
			s.slow++
			s.slowMissed = append(s.slowMissed, g.describe())
		}
	} else if !g.found {
		switch {
		case k == gauges.Stuck && g.blasted > stuckWithin:
			s.stuck, s.stuckMissed = append(s.stuck, never), append(s.stuckMissed, g.describe())
		case k == gauges.Swapped && g.released != 0 && g.last.Sub(g.released) > swapWithin:
			s.swap, s.swapMissed = append(s.swap, never), append(s.swapMissed, g.describe())
		case k == gauges.ZeroDrift && math.Abs(g.fault.ZeroPa) > float64(driftSurely) && g.vents > 0:
			s.driftMissed = append(s.driftMissed, g.describe())
		}
	}
	return s
}

// figures are the rows with an aim. What was never found counts as infinitely late in a p95.
func (s *gaugeScore) figures(b *board) {
	b.row(figure{what: "gauge stuck: seconds of blasting from then to the finding", measured: times(s.stuck), of: fmt.Sprintf("%d gauges, %d of them never", len(s.stuck), len(s.stuckMissed)),
		bound: p95Under(s.stuck), aim: "p95 3 s", ok: len(s.stuck) > 0 && quantile(s.stuck, 0.95) <= stuckWithin, notes: s.stuckMissed})
	found := 1 - float64(len(s.slowMissed))/float64(max(1, s.slow))
	b.row(figure{what: "slow port, 0.6 s of lag or more: found by the second vent", measured: fmt.Sprintf("%.0f %%", 100*found), of: fmt.Sprintf("%d ports, all but %d", s.slow, len(s.slowMissed)),
		bound: "missed: " + bound(len(s.slowMissed), s.slow), aim: "95 %", ok: found >= 0.95 && s.slow > 0, notes: s.slowMissed})
	b.row(figure{what: "gauges exchanged: first release to the finding", measured: times(s.swap), of: fmt.Sprintf("%d pairs, %d of them not in 7 min", len(s.swap), len(s.swapMissed)),
		bound: p95Under(s.swap), aim: "p95 7 min", ok: len(s.swap) > 0 && quantile(s.swap, 0.95) <= swapWithin, notes: s.swapMissed})
	psi := func(q float64) float64 { return float64(quantile(s.offsets, q)) / si.PSI }
	over := fmt.Sprintf("p95: none from %d, it takes 59", len(s.offsets))
	if o, ok := quantileUnder(s.offsets, 0.95); ok {
		over = fmt.Sprintf("p95 under %.2f psi", float64(o)/si.PSI)
	}
	b.row(figure{what: "zero drifting: how far off when it is found", measured: fmt.Sprintf("p5 %.2f, p50 %.2f, p95 %.2f psi", psi(0.05), psi(0.5), psi(0.95)), of: fmt.Sprintf("%d gauges", len(s.offsets)),
		bound: over, aim: "p50 0.5 psi, within 0.1", ok: len(s.offsets) > 0 && math.Abs(psi(0.5)-float64(driftAim)/si.PSI) <= 0.1})
	n := len(s.offsets) + len(s.driftMissed)
	missed := float64(len(s.driftMissed)) / float64(max(1, n))
	b.row(figure{what: "zero drifting: farther off than 0.75 psi and not found", measured: describe(len(s.driftMissed), "gauges"), of: fmt.Sprintf("%d gauges", n),
		bound: bound(len(s.driftMissed), n), aim: "under 5 %", ok: missed < 0.05, notes: s.driftMissed})
}

// facts are the rows without an aim.
func (s *gaugeScore) facts(b *board) {
	b.fact(figure{what: "slow ports and exchanges that the pot's pressures cannot tell (package gauges says which): found", measured: describe(s.untoldFound, "gauges"),
		of: fmt.Sprintf("%d gauges", s.untold), bound: "not asked for"})
	b.fact(figure{what: "slow port, under 0.2 s of lag: found nevertheless", measured: describe(s.never, "ports"), of: fmt.Sprintf("%d ports", s.quick), bound: bound(s.never, s.quick)})
	b.fact(figure{what: "slow port, 0.2 to 0.6 s of lag: found", measured: describe(s.betweenFound, "ports"), of: fmt.Sprintf("%d ports", s.between), bound: "neither is asked for"})
	for k := range gauges.Kind(gauges.Kinds) {
		f := figure{what: fmt.Sprintf("healthy pots: gauge found %v", k), measured: describe(s.falsely[k], "findings"), of: fmt.Sprintf("%d cycles of %d pots", s.cycles, s.pots),
			bound: "a cycle: " + bound(min(s.falsely[k], s.cycles), s.cycles)}
		if k == 0 {
			f.notes = s.where
		}
		b.fact(f)
	}
	for k := range gauges.Kind(gauges.Kinds) {
		f := figure{what: fmt.Sprintf("pots with one faulty gauge: %v found besides", k), measured: describe(s.beside[k], "findings"),
			of: fmt.Sprintf("%d pots", s.faulty), bound: "a pot: " + bound(min(s.beside[k], s.faulty), s.faulty)}
		if k == 0 {
			f.notes = s.besideAt
		}
		b.fact(f)
	}
}
