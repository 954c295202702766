package level

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

// A tube is a push line and a tee that lose by the square law, Pa2 s2/kg2: a unit of loading adds drag to what the tee loses of clean air. In a pot that has run empty the
// line by which the vessel is filled and the open metering valve are a second way beside the push line; of two ways in parallel 1/sqrt(r) adds up.
type tube struct {
	push, tee, drag, line, valve float64
	off                          float64 // of the loss: what the gauges show too much
	noise                        float64 // of the loss of a second, as a share
	rng                          *rand.Rand
}

// loss is what a second shows, over the square of the air's flow.
func (u *tube) loss(mu float64, open bool) float64 {
	push := u.push
	if open {
		both := math.Pow(1/math.Sqrt(u.push)+1/math.Sqrt(u.line+u.valve), -2)
		push = both - u.line*both/(u.line+u.valve) // the vessel stands that much below the parting
	}
	return (push + u.tee*(1+u.drag*mu) + u.off) * (1 + u.noise*u.rng.NormFloat64())
}

// blasts gives a press at a loading and then a stop of so many seconds; it is what the tee tells at its end.
func (u *tube) blasts(t *tee, mu float64, stop int, open bool) float64 {
	m := meter{source: byHose, usual: mu, clears: 2, flown: true}
	second := func(mu float64) {
		m.mu, m.enters, m.age = mu, mu, m.age+1
		s := steady.Second{Has: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Rated: true}
		t.second(&s, &m, &measure{told: true, load: mu, loss: u.loss(mu, open && mu == 0)})
	}
	t.press(false)
	for range 60 {
		second(mu)
	}
	for range stop {
		m.stopped++
		second(0)
	}
	return t.told()
}

// A second way beside the push line is told from none by the law of resistances, in a pot's first stop, though what abrasive adds to the loss is a third off what is assumed and
// the gauges are off as well; from a stop that was proven on surely.
func TestTee(t *testing.T) {
	for _, drag := range []float64{0.35, 0.6, 0.8} {
		for _, off := range []float64{-0.15, 0, 0.15} {
			u := &tube{push: 0.35, tee: 0.65, drag: drag, line: 5, valve: 2, off: off, noise: 0.03, rng: rand.New(rand.NewPCG(3, 4))}
			for _, mu := range []float64{0.8, 1.4, 2} {
				first, other := newTee(), newTee()
				blocked, empty := u.blasts(&first, mu, 6, false), u.blasts(&other, mu, 6, true)
				if !(blocked < 0.6*empty) {
					t.Errorf("drag %v, off %v, loading %v: first stop told %.3g if blocked and %.3g if empty", drag, off, mu, blocked, empty)
				}
				for _, cause := range []Stop{Blocked, Empty} {
					own := newTee()
					u.blasts(&own, mu, 8, cause == Empty)
					own.proven(cause)
					if own.stops != 0 || own.told() != 1 {
						t.Fatalf("%+v: a proven stop still tells", own)
					}
					for _, open := range []bool{false, true} {
						told := u.blasts(&own, 1.1*mu, 6, open)
						if right := told > 1 == open; !right {
							t.Errorf("drag %v, off %v, loading %v, %v was proven: open %v told %.3g", drag, off, mu, cause, open, told)
						}
						own.forget()
					}
				}
			}
		}
	}
	// As assumed: at once, and strongly.
	u := &tube{push: 0.35, tee: 0.65, drag: teeDrag / 0.65, line: 5, valve: 2, noise: 0.01, rng: rand.New(rand.NewPCG(5, 6))}
	one := newTee()
	if told := u.blasts(&one, 1, 1, false); told > 0.6 {
		t.Errorf("blocked: told %v by one second", told)
	}
	if one.forget(); one.told() != 1 {
		t.Errorf("told %v of no stop", one.told())
	}
	if told := u.blasts(&one, 1, 1, true); told < 3 {
		t.Errorf("empty: told %v by one second", told)
	}
}

// What does not show the tee alone does not count: a vessel that still fills, a hose that fills or clears, a pot without a nozzle point.
func TestTeeWaits(t *testing.T) {
	u := &tube{push: 0.35, tee: 0.65, drag: 0.6, line: 5, valve: 2, rng: rand.New(rand.NewPCG(3, 4))}
	x := newTee()
	good := func() (steady.Second, meter, measure) {
		return steady.Second{Rated: true}, meter{source: byHose, usual: 1, mu: 1, enters: 1, clears: 2, flown: true, age: 30}, measure{told: true, load: 1, loss: u.loss(1, false)}
	}
	for what, spoil := range map[string]func(s *steady.Second, m *meter, told *measure){
		"no nozzle point":       func(_ *steady.Second, m *meter, _ *measure) { m.source = byHead },
		"loading not told":      func(_ *steady.Second, _ *meter, told *measure) { told.told = false },
		"rate not known":        func(s *steady.Second, _ *meter, _ *measure) { s.Rated = false },
		"vessel fills":          func(s *steady.Second, _ *meter, _ *measure) { s.Rate = 2 * teeSteady },
		"vessel moves, stopped": func(s *steady.Second, m *meter, _ *measure) { s.Rate, m.stopped, m.enters = -2*teeMoves, 2, 0 },
		"hose clears, stopped":  func(_ *steady.Second, m *meter, _ *measure) { m.stopped, m.enters = 1, 0.3 },
		"hose fills":            func(_ *steady.Second, _ *meter, told *measure) { told.load = 0.6 },
		"press is young":        func(_ *steady.Second, m *meter, _ *measure) { m.age = 11 },
		"stream thins":          func(_ *steady.Second, m *meter, _ *measure) { m.low = 0.5 },
	} {
		s, m, told := good()
		spoil(&s, &m, &told)
		if x.second(&s, &m, &told); x.n != 0 || x.stops != 0 {
			t.Fatalf("%s: %+v", what, x)
		}
	}
	s, m, told := good()
	if x.second(&s, &m, &told); x.n != 1 || x.told() != 1 {
		t.Errorf("%+v", x)
	}
	// A fill between a stop and the next stream: that does not prove what it was.
	u.blasts(&x, 1, 8, true)
	x.press(true)
	was := x.drag
	if x.proven(Blocked); x.drag != was || x.known != 0 {
		t.Errorf("learned of a stop that nobody knows the cause of: %+v", x)
	}
}

// A cause that is not told yet is waited for, some seconds and no longer; one that is told is said at once.
func TestWaitsForCause(t *testing.T) {
	for _, c := range []struct {
		share float64
		want  Stop
		after int
	}{{0, Empty, 1}, {0.5, Blocked, 1}, {0.045, Undecided, undecidedFor + 1}} {
		f := New(Params{})
		f.anchored = true
		f.b.forget(iShare, c.share, 0.01)
		n := 0
		for f.est.Stop == Flowing && n < 20 {
			n++
			f.meter.stopped++
			f.say(someday)
		}
		if f.est.Stop != c.want || n != c.after || f.est.StopSince != someday {
			t.Errorf("at %v: %v after %d s, since %v", c.share, f.est.Stop, n, f.est.StopSince)
		}
	}
}

const someday = 1_760_000_000_000_000

// A level that is far off by what the filter thinks of it does not outweigh what all else says.
func TestBelievedAstray(t *testing.T) {
	f := New(Params{})
	f.anchored = true
	f.b.forget(iShare, 0.12, 0.012) // ten of its deviations over empty
	if word := f.cause(); word != Blocked {
		t.Errorf("by the level alone: %v", word)
	}
	f.meter.source, f.meter.flown, f.meter.ending.told = byHose, true, 20
	f.tee = tee{mu: 1, loss: 1.38, n: 20, scatter: 1e-4, drag: teeDrag, v: 1e-4, stop: 0.7, stops: 8, empty: 0.7, known: 2}
	if word := f.cause(); word != Empty {
		t.Errorf("by all that is seen: %v, with %v", word, f.ranDry())
	}
	f.b.forget(iShare, 0.6, 0.012)
	if word := f.cause(); word != Blocked {
		t.Errorf("more than half full: %v", word)
	}
}

// A tee's state is saved with the filter's, all of it.
func TestTeeSaved(t *testing.T) {
	from, to := New(Params{}), New(Params{})
	from.tee = tee{mu: 1.25, loss: 0.5, n: 7, scatter: 0.125, last: 0.25, drag: 0.75, v: 0.0625, stop: 1.5, stops: 3, filled: true, empty: 2.5, known: 2}
	if err := to.SetState(from.AppendState(nil)); err != nil || to.tee != from.tee {
		t.Errorf("%+v, %v", to.tee, err)
	}
}

// As abrasive flows again it comes out that the metering valve was blocked, and what the tee lost meanwhile is that of clean air.
func TestTeeProven(t *testing.T) {
	b := newBare()
	b.blast(60, func(int) float64 { return 1 })
	b.blast(15, func(int) float64 { return 0 })
	if x := &b.f.tee; b.f.est.Stop == Flowing || x.stops < leastStop || x.v < float64(teeDragSD*teeDragSD)*0.999 {
		t.Fatalf("%v: %+v", b.f.est.Stop, x)
	}
	b.blast(10, func(int) float64 { return 1 })
	// That loss is the same with and without abrasive, but for the air that flows the slower.
	if x := &b.f.tee; b.f.est.Stop != Flowing || x.stops != 0 || x.v > float64(teeDragSD*teeDragSD)/4 || math.Abs(x.drag-slowing) > 0.12 {
		t.Errorf("%v: %+v", b.f.est.Stop, x)
	}
}

// Who lets the handle go while a cause is waited for hears of the stop all the same.
func TestReleaseWhileWaiting(t *testing.T) {
	f := New(Params{})
	f.anchored, f.meter.stopped = true, 1
	f.b.forget(iShare, 0.05, 0.01)
	f.Vent(&stroke.Vent{At: someday, Blast: time.Minute})
	if f.est.Stop != Undecided || f.est.StopSince != someday {
		t.Errorf("%v since %v", f.est.Stop, f.est.StopSince)
	}
}

// A vent that fits neither cause decides nothing: what else is known does, by however little with a nozzle point, and by twice as likely without.
func TestVentAstray(t *testing.T) {
	for _, c := range []struct {
		source  source
		thinned float64
		want    Stop
	}{{byHead, 0.01, Blocked}, {byHead, 0.8, Undecided}, {byHead, 1.25, Undecided}, {byHead, 100, Empty}, {byHose, 0.01, Blocked}, {byHose, 0.8, Blocked}, {byHose, 1.25, Empty}, {byHose, 100, Empty}} {
		f := New(Params{})
		f.meter.source = c.source
		f.est.Refills, f.sounds[ByVent].unit = 1, 1
		f.b.forget(iShare, 0.5, 0.01)
		f.b.x[iVent], f.b.x[iVentA] = 1, 0.3
		if got := f.causeByVent(30, 0.02, c.thinned); got != c.want {
			t.Errorf("thirty times as long, all else %v to 1, source %d: %v, want %v", c.thinned, c.source, got, c.want)
		}
	}
}

// A pot of which neither end was seen, and from which all that it can have held was drawn by the flow as it is reckoned, gives too high a flow rather than that: after the vent
// as before it. The vent tells nothing here.
func TestDrawnNotMore(t *testing.T) {
	odds := func(share float64) (before, after float64) {
		f := New(Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.1, Nozzle: 0.009, HoseBore: 0.032, HoseLength: 20, Target: 700e3})
		f.faded, f.whole = true, 0.9
		f.sounds[ByVent].unit = 5
		f.b.x[iShare], f.b.p[iShare][iShare] = share, 0.25*0.25
		f.b.p[iShare][iFlow], f.b.p[iFlow][iShare] = -0.8*0.25*flowSD, -0.8*0.25*flowSD
		f.b.x[iVent], f.b.x[iVentA], f.b.p[iVent][iVent] = 1, 0.3, 9
		p := f.ranDry()
		// The odds of all else with which the vent's word goes over.
		lo, hi := 1e-4, 1e4
		for range 60 {
			if mid := math.Sqrt(lo * hi); f.causeByVent(5, 0.02, mid) == Empty {
				hi = mid
			} else {
				lo = mid
			}
		}
		return p / (1 - p), 1 / hi
	}
	for _, share := range []float64{-0.2, 0, 0.2} {
		if before, after := odds(share); math.Abs(math.Log(after/before)) > math.Log(1.2) {
			t.Errorf("a share of %v: %.3g to 1 before a vent that tells nothing, %.3g to 1 after it", share, before, after)
		}
	}
}
