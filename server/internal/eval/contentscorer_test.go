package eval_test

import (
	"math"
	"path/filepath"
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
)

// A tale is a record that is made as it is told, ten rows a second, with what is said of it.
type tale struct {
	r    *record
	now  state
	said said
	each func(*said)
}

func newTale() *tale {
	t := &tale{r: &record{folder: healthyPot()}, now: state{at: 1e9, exhaust: 1, resistance: [points.SegmentCount]float64{1, 1, 1, 1}}}
	t.r.pot.Points |= points.SetOf(points.Supply, points.Separator, points.Nozzle)
	t.r.pot.Nozzle.Bore = 10e-3
	t.said = said{level: &level.Estimate{Known: true}, wear: new([wear.Parts]wear.Index), losses: new(losses.Estimate), baseline: new(baseline.Set),
		serve: func(engine.Service) {}, served: func(wear.Part) wear.Service { return wear.Service{} }}
	return t
}

// blast and rest are what the truth is in a blast and at rest.
func (t *tale) blast() {
	t.now.pressed, t.now.air, t.now.metered = true, 0.1, 0.15
	t.now.p = [points.Count]float64{points.Supply: 730e3, points.Separator: 720e3, points.Vessel: 710e3, points.Hose: 700e3, points.Nozzle: 620e3, points.Control: 700e3}
}

func (t *tale) rest() {
	t.now.pressed, t.now.air, t.now.metered = false, 0, 0
	t.now.p = [points.Count]float64{points.Supply: 730e3, points.Separator: 730e3}
}

// tell goes on for a while; change is asked before every row.
func (t *tale) tell(d time.Duration, change func()) {
	for range int(d / tenHertz) {
		t.now.at = t.now.at.Add(tenHertz)
		t.said.vents = nil
		if change != nil {
			change()
		}
		t.r.truth = append(t.r.truth, t.now)
		t.said.at, t.said.now = t.now.at, &t.r.truth[len(t.r.truth)-1]
		t.said.samples = []points.Sample{{Point: points.Control, At: t.now.at, Quality: points.Good, Pressed: t.now.pressed}}
		t.each(&t.said)
	}
}

// Fills are counted from full to empty, soundings and forecasts held against what comes, and intervals by the minute.
func TestLevelScorer(t *testing.T) {
	s := newTale()
	l := newLevelScorer(s.r, steadyFills)
	s.each = l.row
	const fill = 20 * time.Minute
	e := s.said.level
	for n := range 5 {
		s.rest()
		s.tell(time.Minute, func() { s.now.level, s.now.kg = 1, 100 })
		left := fill
		s.blast()
		s.tell(fill+time.Second, func() {
			left -= tenHertz
			s.now.level = max(0, float64(left)/float64(fill))
			s.now.kg = 100 * s.now.level
			e.Share = si.Ratio(s.now.level) - 0.05
			e.Low, e.High = e.Share-0.02, e.Share+0.1
			if left < fill/4 { // in a quarter of the fill the interval is too high
				e.Low = e.Share + 0.06
			}
			e.Empty = level.Forecast{Known: true, P10: left - 60*time.Second, P50: left + 40*time.Second, P90: left + 60*time.Second}
			if n == 4 {
				e.Empty.P10 = left + time.Second
			}
			if left%(5*time.Minute) == 0 {
				e.Sounding, e.SoundingAt = si.Ratio(s.now.level+0.04), s.now.at
			}
		})
	}
	got := l.score()
	h := &got.habits[0]
	if l.filling.complete != 5 || len(h.late) != 2 || len(h.lateFirst) != 3 || h.unknown != 0 {
		t.Fatalf("%d fills, %+v", l.filling.complete, h)
	}
	for _, d := range append(h.late, h.lateFirst...) { // a tenth of a kilogram is left 1.2 s before the end
		if (d - 40*time.Second).Abs() > 1500*time.Millisecond {
			t.Errorf("off by %v", d)
		}
	}
	if root, _, _, _ := rms(got.sounding); math.Abs(root-0.04) > 1e-3 || got.sounding[0].n < 7 || got.nominal[0].n < 3 || got.nominal[0].n > 5 {
		t.Errorf("soundings %+v, %+v", got.sounding, got.nominal)
	}
	share := func(m mean) float64 { return m.sum / float64(m.n) }
	if c := share(h.level[0]); math.Abs(c-0.75) > 0.03 || h.level[0].n < 98 {
		t.Errorf("level covered in %.2f of %d", c, h.level[0].n)
	}
	if c := share(h.empty[0]); math.Abs(c-0.8) > 0.03 {
		t.Errorf("time to empty covered in %.2f", c)
	}
	// A fill that is topped up is none, and what was said in it is held against nothing.
	before, due := len(h.late), h.empty[0].n
	s.rest()
	s.tell(time.Minute, func() { s.now.level, s.now.kg = 1, 100 })
	s.blast()
	s.tell(11*time.Minute, func() { s.now.level -= 1e-4; s.now.kg = 100 * s.now.level })
	s.now.level = 1
	s.tell(time.Second, nil)
	if got = l.score(); l.filling.complete != 5 || len(got.habits[0].late) != before || got.habits[0].empty[0].n != due {
		t.Errorf("%d fills, %d, %d", l.filling.complete, len(got.habits[0].late), got.habits[0].empty[0].n-due)
	}
	// Nothing said ten minutes before counts as infinitely late.
	l.omens = nil
	e.Empty.Known = false
	s.tell(11*time.Minute, func() { s.now.kg = 1 })
	s.now.kg, s.now.level = 0, 0
	s.tell(time.Second, nil)
	if late := l.score().habits[0].late; len(late) != before+1 || late[before] != never {
		t.Errorf("%v", late)
	}
}

// Stops are timed, those that nobody could find are left out, and what is said while abrasive flows is false.
func TestStopScorer(t *testing.T) {
	s := newTale()
	c := newStopScorer(s.r, changedFills)
	s.each = c.row
	word := &s.said.level.Stop
	s.now.kg, s.now.level = 100, 0.5
	s.blast()
	s.tell(time.Minute, nil)
	stop := func(kg float64, d time.Duration, after time.Duration, first, then level.Stop) {
		s.now.kg, s.now.metered = kg, 0
		s.tell(after, nil)
		*word = first
		s.tell(d-after, nil)
		s.rest()
		s.tell(10*time.Second, nil)
		*word = then
		s.tell(10*time.Second, nil)
		s.blast()
		*word = level.Flowing
		s.tell(30*time.Second, nil)
	}
	stop(100, 12*time.Second, 3*time.Second, level.Undecided, level.Blocked)
	stop(100, 12*time.Second, 5*time.Second, level.Empty, level.Empty)
	stop(0.01, 10*time.Second, 2*time.Second, level.Empty, level.Empty)
	stop(100, 5*time.Second, 5*time.Second, level.Flowing, level.Flowing)   // too short to count
	stop(100, 20*time.Second, 20*time.Second, level.Flowing, level.Flowing) // never found
	*word = level.Blocked                                                   // false
	s.tell(5*time.Second, nil)
	*word = level.Flowing
	s.now.metered *= 0.7 // another setting
	s.tell(time.Minute, nil)
	got := c.score()
	if len(got.found) != 4 || len(got.missed) != 1 || got.quick != 1 || got.falsely != 1 || len(got.blocked) != 3 {
		t.Fatalf("%+v", got)
	}
	for i, want := range []time.Duration{3 * time.Second, 5 * time.Second, 2 * time.Second, never} {
		if (got.found[i] - want).Abs() > 200*time.Millisecond {
			t.Errorf("found after %v, want %v", got.found[i], want)
		}
	}
	if got.atOnce != (part{1, 3}) || got.later != (part{2, 3}) || got.undo != 1 || len(got.wrong) != 1 {
		t.Errorf("at once %+v, later %+v, %d undecided, %v", got.atOnce, got.later, got.undo, got.wrong)
	}
	if want := (5*60 + 4) / 3600.0; math.Abs(got.hours-want) > 0.01 {
		t.Errorf("%.3f hours", got.hours)
	}
	// All of these streams end at once: the pot has not run empty before its third stop, whose end tells the wrong cause.
	if got.valve != (part{2, 3}) || got.seen.due != 0 {
		t.Errorf("%+v by the valve's stream, %+v in pots that had run empty", got.valve, got.seen)
	}
	// With the metering blocked in an empty pot either cause is right.
	s.now.blocked = true
	stop(0.01, 12*time.Second, 3*time.Second, level.Empty, level.Blocked)
	if again := c.score(); again.atOnce != (part{2, 4}) || again.later != (part{3, 4}) || again.seen != (part{1, 1}) || again.valve.due != 3 {
		t.Errorf("blocked and empty: at once %+v, later %+v", again.atOnce, again.later)
	}
}

// Vents are timed from the control point's fall, those that ended too soon are left out, and only a bad exhaust makes a finding
// right.
func TestVentScorer(t *testing.T) {
	s := newTale()
	v := newVentScorer(s.r, lateShut)
	s.each = v.row
	release := func(exhaust float64, lasts, after time.Duration) {
		s.now.exhaust = 1
		s.blast()
		s.tell(20*time.Second, nil)
		s.now.exhaust = exhaust
		from := s.now.p[points.Vessel]
		s.now.pressed, s.now.air, s.now.metered = false, 0, 0
		since := time.Duration(0)
		s.tell(lasts, func() {
			since += tenHertz
			if since > 500*time.Millisecond { // the lag
				s.now.p[points.Vessel] = from * math.Exp(-(since-500*time.Millisecond).Seconds()*(0.05+exhaust/4))
			}
			if since == after {
				s.said.vents = []ventFinding{{vent.VentSlow, vent.Finding{On: true}}}
			}
		})
	}
	release(1, 30*time.Second, 0)
	release(0, 10*time.Second, 1200*time.Millisecond)
	release(0.1, 10*time.Second, 0)                      // missed
	release(0.1, 2*time.Second, 0)                       // too short
	release(0.5, 10*time.Second, 1800*time.Millisecond)  //
	release(0.95, 30*time.Second, 1500*time.Millisecond) // false
	release(0.8, 30*time.Second, 1500*time.Millisecond)  // neither
	s.said.level.Known = false                           //
	release(0, 10*time.Second, 1200*time.Millisecond)    // not counted
	s.said.level.Known = true                            //
	release(0, 10*time.Second, 2*time.Second)            //
	s.now.exhaust = 1                                    // put right, while the vessel is still up
	s.tell(time.Second, func() { s.said.vents = nil })   //
	s.tell(tenHertz, func() {
		s.said.vents = []ventFinding{{vent.VesselHeld, vent.Finding{On: true}}} // and so not false
	})
	got := v.score()
	if len(got.late[0]) != 3 || len(got.missed[0]) != 1 || len(got.late[1]) != 1 || got.falsely != 1 || got.partly != [2]part{{1, 1}, {0, 0}} || got.unknown != 1 || got.healthy != 1 {
		t.Fatalf("%+v", got)
	}
	// The control point falls with the row in which the handle is released, the first of the vent.
	for i, want := range []time.Duration{1100 * time.Millisecond, never, 1900 * time.Millisecond} {
		if got.late[0][i] != want {
			t.Errorf("late by %v, want %v", got.late[0][i], want)
		}
	}
	// At 0.3 a second the healthy vessel takes 0.07 s, so one row, from the end of the lag until 2 % are gone.
	if len(got.lags) != 1 || got.lags[0] != 500*time.Millisecond {
		t.Errorf("the lag %v", got.lags)
	}
	for i, want := range []time.Duration{600 * time.Millisecond, never, 1400 * time.Millisecond} {
		if got.less[0][i] != want {
			t.Errorf("late by %v but for the lag, want %v", got.less[0][i], want)
		}
	}
	var b board
	got.figures(&b)
	for i, want := range []bool{false, false, false, false, false, true, false} { // late and missed; half: p50 1.7 s, or 1.2 s; false ones
		if b.rows[i].ok != want || b.rows[i].why != "" {
			t.Errorf("%s: %+v", b.rows[i].what, b.rows[i])
		}
	}
	// Half found after 1.3 s, of which 0.5 s are the lag: that forbids it, and is said.
	got.late[1][0], got.less[1][0] = 1300*time.Millisecond, 800*time.Millisecond
	b = board{}
	got.figures(&b)
	if whole, bare := b.rows[3], b.rows[4]; whole.ok || !bare.ok || !strings.Contains(whole.why, "p50 0.50 s") {
		t.Errorf("%+v, %+v", whole, bare)
	}
}

// A clog is due when the truth passes its limit; findings before half of the way are false.
func TestWearScorer(t *testing.T) {
	s := newTale()
	s.r.truth = []state{s.now}
	w := newWearScorer(s.r, slowWear)
	w.bore, w.airOnly = 10e-3, true
	s.each = w.row
	services := 0
	s.said.serve = func(x engine.Service) {
		services++
		if x.Part != "separator" && x.Part != "exhaust" || x.Work != "cleaned" || x.At != s.now.at {
			t.Errorf("%+v", x)
		}
	}
	s.said.served = func(wear.Part) wear.Service {
		if services < 1 {
			return wear.Service{}
		}
		return wear.Service{At: 5, Done: true, Proven: true}
	}
	cycles := func(n int) {
		for range n {
			s.blast()
			s.tell(30*time.Second, nil)
			s.rest()
			s.tell(10*time.Second, nil)
		}
	}
	separator, exhaust, bore := &s.said.wear[wear.Separator], &s.said.wear[wear.Exhaust], &s.said.wear[wear.Bore]
	separator.Known, exhaust.Known = true, true
	r := &s.now.resistance[points.SeparatorSegment]
	cycles(4)
	separator.Finding = true // false
	cycles(2)
	separator.Finding = false
	*r = 1.2
	cycles(3)
	*r = 1.35
	cycles(5)
	separator.Finding = true
	cycles(3)
	*r = 1 // cleaned; the finding ends with the service
	cycles(1)
	separator.Finding = false
	cycles(14)
	*r = 1.5
	cycles(13) // missed
	*r = 1
	cycles(1)
	s.now.exhaust = 0.85
	exhaust.Finding = true // at once
	cycles(2)
	bore.Known, bore.Value = true, 1.02
	s.now.bore = 10.1e-3
	cycles(10)
	got := w.score()
	sep, exh := &got.clogs[0], &got.clogs[1]
	if len(sep.strokes) != 2 || sep.strokes[0] != 5 || !math.IsInf(sep.strokes[1], 1) || sep.falsely != 1 || sep.cleaned != 2 || sep.proven != 1 {
		t.Errorf("separator %+v", sep)
	}
	if len(exh.strokes) != 1 || exh.strokes[0] != 0 || exh.falsely != 0 {
		t.Errorf("exhaust %+v", exh)
	}
	clogged, air := &got.bore[boreClogged], &got.bore[boreAir]
	if air.minutes.given != 5 || air.minutes.due < 20 || len(clogged.off) != 5 || clogged.minutes.due >= air.minutes.due || got.bore[boreNothing].minutes.due != 0 {
		t.Errorf("%+v", got.bore)
	}
	for _, off := range clogged.off {
		if math.Abs(off-0.1e-3) > 1e-9 {
			t.Errorf("off by %g m", off)
		}
	}
}

// Parts are held against the truth's by the same split, and what does not add up is seen.
func TestPartScorer(t *testing.T) {
	s := newTale()
	p := newPartScorer(s.r, slowWear)
	s.each = func(said *said) {
		s.r.rows = append(s.r.rows, row{said.at, len(s.r.samples)})
		for pt := points.Supply; pt <= points.Nozzle; pt++ {
			x := points.Sample{Point: pt, At: said.at, Quality: points.Good, Value: si.GaugePressure(s.now.p[pt])}
			if pt == points.Vessel {
				x.Value += 1e3
			}
			s.r.samples = append(s.r.samples, x)
		}
		p.row(said)
	}
	o := s.said.losses
	s.blast()
	s.tell(time.Minute, nil)
	if p.off = s.r.errors(); math.Abs(p.off[points.Vessel]-1e3) > 1e-6 || math.Abs(p.off[points.Hose]) > 1e-6 {
		t.Errorf("errors of the gauges %v", p.off)
	}
	// The baseline is in the gauges' own terms; that of the vessel shows 1 kPa too much.
	base := baseline.Profile{How: baseline.Learned, At: s.now.at - 20e6}
	for i := range base.P {
		base.P[i] = s.now.p[i] + float64(si.StandardAtmosphere)
	}
	base.P[points.Vessel] += 1e3
	s.said.baseline.Laden = base
	// The separator's resistance doubles: its drop goes from 10 to 19 kPa; the supply sags by 3, the rest of the path has
	// less flow.
	s.now.resistance[points.SeparatorSegment] = 2
	s.now.p = [points.Count]float64{points.Supply: 727e3, points.Separator: 708e3, points.Vessel: 698.5e3, points.Hose: 689e3, points.Nozzle: 612e3, points.Control: 700e3}
	mean := (19e3 - 10e3) / math.Log(1.9)
	*o = losses.Estimate{Steady: true, Account: true, First: points.Supply, Fall: 8e3, Sag: 3e3}
	for seg, excess := range []float64{9e3, -0.5e3, -0.5e3, -3e3} {
		x := &o.Parts[seg]
		*x = losses.Part{Known: true, From: points.Point(seg), Excess: si.PressureDrop(excess), Split: true, Flow: si.PressureDrop(excess)}
	}
	x := &o.Parts[points.SeparatorSegment]
	x.Resistance = si.PressureDrop(mean * math.Log(2))
	x.Flow = x.Excess - x.Resistance
	tell := func() {
		s.tell(5*time.Second, nil)
		o.At = s.now.at - 1e6
		s.tell(20*time.Second, nil)
	}
	tell()
	for kind := range p.s.off {
		n := 0
		for at, off := range p.s.off[kind] {
			n += len(off)
			for _, x := range off {
				if x > 1e-3 {
					t.Errorf("%s before %v: %v", partNames[kind], points.Point(at), off)
				}
			}
		}
		if want := map[int]int{sagPart: 1, resistancePart: 4, flowPart: 4}[kind]; n != want {
			t.Errorf("%d of %s", n, partNames[kind])
		}
	}
	if p.s.seconds != 1 || p.s.identity > 1 {
		t.Errorf("%+v", p.s)
	}
	x.Resistance += 5e3 // all of a sudden more than the excess
	o.Sag += 1e3
	tell()
	if math.Abs(p.s.identity-5e3) > 1 || p.s.off[sagPart][points.Supply][1] < 0.2 || !(p.s.off[resistancePart][points.Separator][1] > 1) || len(p.s.where) > 1 {
		t.Errorf("%+v", p.s)
	}
}

// The same log is played in five ways: with fewer points, fewer rows, more noise, and the same follower.
func TestWays(t *testing.T) {
	r, err := read("testdata", filepath.Join("testdata", "healthy-1"))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(r.rows); n < 100 || len(r.truth) < 100 {
		t.Fatalf("%d rows, %d lines of truth", n, len(r.truth))
	}
	type seen struct {
		rows, samples int
		squares       float64
		has           points.Set
	}
	var got [len(ways)]seen
	var clean []float64
	for i, w := range ways {
		k := 0
		r.play(w, func(s *said) {
			g := &got[i]
			g.rows, g.samples = g.rows+1, g.samples+len(s.samples)
			for _, x := range s.samples {
				g.has |= points.SetOf(x.Point)
				if x.Point != points.Vessel {
					continue
				}
				if i == whole {
					clean = append(clean, float64(x.Value))
				}
				if i == noisy {
					g.squares += square(float64(x.Value) - clean[k])
					k++
				}
			}
			if s.now.at > s.at || s.at.Sub(s.now.at) > time.Second {
				t.Fatalf("%s: the truth of %v at %v", w.name, s.now.at, s.at)
			}
		})
	}
	if got[whole].rows != len(r.rows) || got[whole].samples != len(r.samples) || got[fiveHertz].rows != (len(r.rows)+1)/2 {
		t.Errorf("%+v", got)
	}
	if got[noNozzle].has.Has(points.Nozzle) || got[vesselOnly].has != got[whole].has&points.SetOf(points.Vessel, points.Control) || got[vesselOnly].rows != got[whole].rows {
		t.Errorf("%+v", got)
	}
	g := r.pot.Gauges[points.Vessel]
	if sd := math.Sqrt(got[noisy].squares/float64(len(clean))) / float64(g.Hi-g.Lo); math.Abs(sd-0.003) > 3e-4 {
		t.Errorf("noise of %.4f of the range", sd)
	}
}
