package level_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

// After three complete fills one sounding is good to 3 % of the capacity, the level's interval holds, and the time to
// empty is right, at a pot whose own figures the filter cannot know.
func TestLearnsFromFills(t *testing.T) {
	for _, kappa := range []float64{1.8, 2.2, 2.6} {
		r := newRig(allPoints)
		r.kappa = kappa
		for range 3 {
			r.empties(nil)
			r.fill(1)
		}
		r.press(20 * time.Second)
		r.blast(30, nil)
		if e := r.f.Estimate(); e.Fills != 2 { // the first began full, which nobody said
			t.Errorf("kappa %v: %d fills learned from", kappa, e.Fills)
		}
		var soundings, levels, n, in, m float64
		var last si.Instant
		type omen struct {
			at   int
			left level.Forecast
		}
		var omens []omen
		for range 2 {
			omens = omens[:0]
			r.empties(func() {
				e := r.f.Estimate()
				if r.share <= 0 {
					return
				}
				if e.SoundingAt != last {
					last = e.SoundingAt
					soundings += (float64(e.Sounding) - r.share) * (float64(e.Sounding) - r.share)
					n++
				}
				if r.seconds%20 == 0 {
					m++
					levels += (float64(e.Share) - r.share) * (float64(e.Share) - r.share)
					if float64(e.Low) <= r.share && r.share <= float64(e.High) {
						in++
					}
				}
				if !e.Empty.Known || !e.OnClock.Known {
					t.Fatalf("no forecast at %v: %+v", r.share, e)
				}
				omens = append(omens, omen{r.seconds, e.Empty})
			})
			end := omens[len(omens)-1].at
			for _, o := range omens {
				if end-o.at == 600 {
					if off := o.left.P50.Seconds() - 600; math.Abs(off) > 75 {
						t.Errorf("kappa %v: ten minutes before %+.0f s", kappa, off)
					}
					if o.left.P10.Seconds() > 600 || o.left.P90.Seconds() < 600 {
						t.Errorf("kappa %v: %v to %v ten minutes before", kappa, o.left.P10, o.left.P90)
					}
				}
			}
			r.fill(1)
		}
		if rms := math.Sqrt(soundings / n); !(rms < 0.03) {
			t.Errorf("kappa %v: one sounding %.3f rms of %v", kappa, rms, n)
		}
		if rms := math.Sqrt(levels / m); !(rms < 0.025) {
			t.Errorf("kappa %v: level %.3f rms", kappa, rms)
		}
		if in/m < 0.7 {
			t.Errorf("kappa %v: the interval holds in %.2f", kappa, in/m)
		}
	}
}

// The capacity and what was used are in kilograms of the configured abrasive.
func TestKilograms(t *testing.T) {
	r := newRig(allPoints)
	for range 3 {
		r.empties(nil)
		r.fill(1)
	}
	if c := float64(r.f.Estimate().Capacity); math.Abs(c/r.capacity()-1) > 1e-12 {
		t.Errorf("capacity %v, want %v", c, r.capacity())
	}
	before, share := r.f.Estimate().Used, r.share
	for range 4 {
		r.press(20 * time.Second)
		r.blast(90, nil)
	}
	if used, want := float64(r.f.Estimate().Used-before), (share-r.share)*r.capacity(); math.Abs(used/want-1) > 0.06 {
		t.Errorf("used %v kg, want %v", used, want)
	}
	if e := r.f.Estimate(); math.Abs(float64(e.Mass)/r.capacity()-r.share) > 0.05 || !e.Measured {
		t.Errorf("%v kg of %v", e.Mass, r.share*r.capacity())
	}
}

// A metering valve that blocks while the pot is two thirds full is found, and not taken for an empty pot, nor an empty pot
// for a blocked valve.
func TestBlockedAndEmpty(t *testing.T) {
	r := newRig(allPoints)
	for range 2 {
		r.empties(nil)
		r.fill(1)
	}
	find := func() (delay int, word level.Stop) {
		delay = -1
		n := 0
		r.blast(25, func() bool {
			n++
			if e := r.f.Estimate(); e.Stop != level.Flowing && delay < 0 {
				delay, word = n, e.Stop
			}
			return true
		})
		return delay, word
	}
	for r.share > 0.65 {
		r.press(20 * time.Second)
		if d, w := find(); d >= 0 {
			t.Fatalf("said to have stopped (%v) after %d s while it flows", w, d)
		}
	}
	r.press(20 * time.Second)
	r.blast(60, func() bool { r.seconds++; return r.seconds%60 != 0 })
	r.press(20 * time.Second)
	n, found := 0, -1
	r.blast(60, func() bool {
		n++
		r.blocked = n >= 30
		if found < 0 && r.f.Estimate().Stop != level.Flowing {
			found = n - 30
		}
		return true
	})
	e := r.f.Estimate()
	if found < 0 || found > 8 || e.Stop != level.Blocked || e.StopSince == 0 {
		t.Errorf("blocked: found after %d s, %v", found, e.Stop)
	}
	if math.Abs(float64(e.Share)-r.share) > 0.06 {
		t.Errorf("level %v of %v", e.Share, r.share)
	}
	// It stays blocked in the next press, and flows again in the one after.
	r.press(30 * time.Second)
	if _, w := find(); w != level.Blocked && r.f.Estimate().Stop != level.Blocked {
		t.Errorf("next press: %v", w)
	}
	r.blocked = false
	r.press(60 * time.Second)
	r.blast(40, nil)
	if e := r.f.Estimate(); e.Stop != level.Flowing || e.Refills > 2 {
		t.Errorf("flows again: %v, %d refills", e.Stop, e.Refills)
	}
	r.empties(nil)
	if e := r.f.Estimate(); e.Stop != level.Empty || e.Share > 0.03 {
		t.Errorf("run empty: %v at %v", e.Stop, e.Share)
	}
}

// A pot that has run empty before, and is as good as empty by its level, is told to be blocked all the same: no air goes through its valve.
func TestBlockedNearlyEmpty(t *testing.T) {
	r := newRig(allPoints)
	r.opens, r.mu = true, 1.1
	for range 3 {
		r.empties(nil)
		if e := r.f.Estimate(); e.Stop != level.Empty {
			t.Fatalf("run empty: %v at %v", e.Stop, e.Share)
		}
		r.fill(1)
	}
	r.press(20 * time.Second)
	r.blast(2000, func() bool { return r.share > 0.048 })
	for range 2 { // a new press, so that the vent before has told the level
		r.press(20 * time.Second)
		r.blast(25, nil)
	}
	r.press(20 * time.Second)
	n := 0
	r.blast(60, func() bool {
		n++
		r.blocked = n > 30
		return r.share > 0
	})
	if e := r.f.Estimate(); e.Stop != level.Blocked || r.share == 0 || r.share > 0.015 {
		t.Errorf("blocked at %v: %v at %v, as is believed", r.share, e.Stop, e.Share)
	}
}

// Without a nozzle point a stream that stops is found from the loss before the vessel, whatever the compressor does to the vessel meanwhile, and a leaner
// stream is none that has stopped.
func TestStopsWithoutNozzlePoint(t *testing.T) {
	for _, lacks := range []points.Set{points.SetOf(points.Nozzle), points.SetOf(points.Nozzle, points.Separator), points.SetOf(points.Nozzle, points.Hose)} {
		r := newRig(allPoints &^ lacks)
		r.swings, r.noise = 12e3, 0.02
		flows := func() {
			if e := r.f.Estimate(); e.Stop != level.Flowing && r.share > 0 {
				t.Fatalf("without %v: said to be %v at %v of capacity while it flows", lacks, e.Stop, r.share)
			}
		}
		for i := range 4 {
			gone, found := 0, -1
			r.empties(func() {
				flows()
				if r.share > 0 {
					gone = 0
					return
				}
				if gone++; found < 0 && r.f.Estimate().Stop != level.Flowing {
					found = gone
				}
			})
			if i > 0 && (found < 0 || found > 14) {
				t.Errorf("without %v, fill %d: found after %d s", lacks, i, found)
			}
			r.fill(1)
		}
		// A third leaner at once, as crews turn it.
		for _, mu := range []float64{1.2, 0.8, 1.2, 0.8} {
			r.mu = mu
			r.press(20 * time.Second)
			r.blast(60, func() bool { flows(); return true })
		}
	}
}

// Of a pot of which neither end was seen, and from which half of what it may hold was drawn, the vent tells whether its metering valve is blocked or open to
// air, whatever its gauges' zeros.
func TestVentTellsCause(t *testing.T) {
	for _, zero := range []float64{0, 8e3, -8e3} {
		for _, blocked := range []bool{false, true} {
			r := newRig(allPoints)
			r.opens, r.zeros[points.Vessel] = true, zero
			if !blocked {
				r.share = 0.5
			}
			from := r.share
			for from-r.share < 0.45 {
				r.press(20 * time.Second)
				r.blast(60, nil)
			}
			r.press(20 * time.Second)
			r.blast(400, func() bool {
				r.blocked = blocked && from-r.share > 0.5
				return r.f.Estimate().Stop == level.Flowing
			})
			r.press(20 * time.Second)
			r.blast(20, nil)
			want := level.Empty
			if blocked {
				want = level.Blocked
			}
			if e := r.f.Estimate(); e.Stop != want || e.Refills > 0 {
				t.Errorf("zero of %v Pa, blocked %v: said to be %v", zero, blocked, e.Stop)
			}
		}
	}
}

// A pot that begins almost empty, of which nothing is known, is not said to be blocked when nothing comes any more: nobody is sent to look for a lump
// that is not there.
func TestBeginsEmpty(t *testing.T) {
	r := newRig(allPoints)
	r.share, r.thins = 0.05, 0.003
	for range 2 {
		r.press(20 * time.Second)
		r.blast(60, nil)
	}
	for range 4 {
		r.press(30 * time.Second)
		r.blast(30, func() bool {
			if e := r.f.Estimate(); e.Stop == level.Blocked {
				t.Fatalf("said to be blocked: %+v", e)
			}
			return true
		})
	}
	if e := r.f.Estimate(); e.Stop == level.Flowing {
		t.Error("nothing was said of a pot from which nothing comes")
	}
}

// Where one density of the abrasive is configured the other one follows from it.
func TestDensities(t *testing.T) {
	for _, c := range []struct{ bulk, solid, wantBulk, wantSolid si.Density }{
		{0, 0, 1600, 3500}, {1600, 0, 1600, 3500}, {0, 3500, 1600, 3500}, {2400, 0, 2400, 5250}, {0, 7000, 3200, 7000}, {1500, 2650, 1500, 2650}, {1500, 1000, 1500, 3281.25},
	} {
		if bulk, solid := level.Densities(c.bulk, c.solid); bulk != c.wantBulk || solid != c.wantSolid {
			t.Errorf("%v and %v are told as %v and %v", c.bulk, c.solid, bulk, solid)
		}
	}
}

// Refills and top-ups are seen after a rest, and a long rest alone is none.
func TestRefills(t *testing.T) {
	r := newRig(allPoints)
	for range 3 {
		r.empties(nil)
		r.fill(1)
	}
	some := func() {
		for range 3 {
			r.press(20 * time.Second)
			r.blast(60, nil)
		}
	}
	some()
	was := r.f.Estimate()
	if was.Refills != 3 || !was.Refill.Full || was.Refill.From > 0.1 || was.Refill.To < 0.9 || was.Refill.At == 0 {
		t.Errorf("%d refills, the last %+v", was.Refills, was.Refill)
	}
	r.at = r.at.Add(10 * time.Minute) // a break
	some()
	if e := r.f.Estimate(); e.Refills != was.Refills || math.Abs(float64(e.Share)-r.share) > 0.05 {
		t.Errorf("a break: %d refills, %v of %v", e.Refills, e.Share, r.share)
	}
	for r.share > 0.3 {
		some()
	}
	r.fill(0.65)
	some()
	e := r.f.Estimate()
	if e.Refills != was.Refills+1 || e.Refill.Full || math.Abs(float64(e.Share)-r.share) > 0.07 {
		t.Errorf("topped up: %d refills, %+v, %v of %v", e.Refills, e.Refill, e.Share, r.share)
	}
}

// Nothing is said before there is something to say, and a pot with less to read says less.
func TestHonesty(t *testing.T) {
	r := newRig(allPoints)
	if e := r.f.Estimate(); e.Known || e.FlowKnown || e.Empty.Known || e.OnClock.Known || e.Stop != level.Flowing || e.SoundingAt != 0 {
		t.Errorf("%+v", e)
	}
	r.press(0)
	r.blast(3, nil)
	if e := r.f.Estimate(); e.Known || e.Empty.Known {
		t.Errorf("after 3 s: %+v", e)
	}
	width := func(has points.Set) (w, off float64, e level.Estimate) {
		r := newRig(has)
		for range 3 {
			r.empties(nil)
			r.fill(1)
		}
		for r.share > 0.5 {
			r.press(20 * time.Second)
			r.blast(90, nil)
		}
		e = r.f.Estimate()
		return float64(e.High - e.Low), float64(e.Share) - r.share, e
	}
	all, _, e := width(allPoints)
	if !e.Known || !e.Measured {
		t.Errorf("all points: %+v", e)
	}
	bare, off, e := width(points.SetOf(points.Vessel, points.Control))
	if e.Measured || e.Loading != 0 {
		t.Errorf("vessel and control tell a setting: %+v", e)
	}
	if !e.Known || bare < all || math.Abs(off) > bare {
		t.Errorf("vessel and control: interval %.3f against %.3f, off by %.3f", bare, all, off)
	}
	noNozzle, off, e := width(allPoints &^ points.SetOf(points.Nozzle))
	if !e.Measured || !e.Known || math.Abs(off) > max(0.06, noNozzle) {
		t.Errorf("no nozzle point: interval %.3f, off by %.3f, %+v", noNozzle, off, e)
	}
	for _, p := range []level.Params{{}, {Points: allPoints}, {Points: points.SetOf(points.Vessel), Volume: 0.1}} {
		f := level.New(p)
		s := steady.Second{At: began, Span: time.Second, N: 1, Has: points.SetOf(points.Vessel, points.Hose, points.Nozzle)}
		f.Second(&s, &s)
		f.Press(&stroke.Press{At: began, Fill: math.NaN()})
		f.Press(&stroke.Press{At: began, Fill: math.Inf(1)})
		f.Vent(&stroke.Vent{At: began, Blast: time.Minute})
		f.Second(&s, &s)
		if e := f.Estimate(); e.Known || math.IsNaN(float64(e.Share)) {
			t.Errorf("%+v: %+v", p, e)
		}
	}
}

// deed does something random.
func deed(t *rapid.T, r *rig) {
	switch rapid.IntRange(0, 5).Draw(t, "deed") {
	case 0:
		r.fill(rapid.Float64Range(0.3, 1).Draw(t, "to"))
	case 1:
		r.blocked = !r.blocked
	case 2:
		r.mu = rapid.Float64Range(0.3, 3).Draw(t, "mu")
	}
	r.press(time.Duration(rapid.IntRange(1, 400).Draw(t, "rest")) * time.Second)
	r.blast(rapid.IntRange(1, 30).Draw(t, "blast"), nil)
}

// Whatever comes: shares stay shares, quantiles are in order, and a state that was saved and restored goes on bit for bit.
func TestAnyStory(t *testing.T) {
	sets := []points.Set{allPoints, allPoints &^ points.SetOf(points.Nozzle), points.SetOf(points.Vessel, points.Control), points.SetOf(points.Separator, points.Vessel)}
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(rapid.SampledFrom(sets).Draw(t, "points"))
		r.noise = rapid.SampledFrom([]float64{0, 0.01, 0.2}).Draw(t, "noise")
		n := rapid.IntRange(1, 6).Draw(t, "deeds")
		for range n {
			deed(t, r)
			e := r.f.Estimate()
			if !(e.Low >= 0 && e.Low <= e.Share && e.Share <= e.High && e.High <= 1.05) || !(e.SD >= 0) {
				t.Fatalf("%+v", e)
			}
			for _, f := range [...]level.Forecast{e.Empty, e.OnClock} {
				if f.Known && !(f.P10 >= 0 && f.P10 <= f.P50 && f.P50 <= f.P90) {
					t.Fatalf("%+v", f)
				}
			}
			if e.OnClock.Known && e.OnClock.P50 < e.Empty.P50 {
				t.Fatalf("%v on the clock for %v", e.OnClock, e.Empty)
			}
		}
		state := r.f.AppendState(nil)
		g := level.New(r.params)
		if err := g.SetState(state); err != nil {
			t.Fatal(err)
		}
		if len(state) > 640 {
			t.Fatalf("a state of %d bytes", len(state))
		}
		if g.Estimate() != r.f.Estimate() {
			t.Fatalf("restored\n%+v\n%+v", g.Estimate(), r.f.Estimate())
		}
		if !bytes.Equal(g.AppendState(nil), state) {
			t.Fatal("a restored state saves as another")
		}
		r.also = g
		// And in the middle of a press, which may have run dry.
		cut, k := rapid.IntRange(1, 40).Draw(t, "cut"), 0
		r.press(20 * time.Second)
		r.blast(60, func() bool {
			if k++; k == cut {
				g = level.New(r.params)
				r.also = g
				if err := g.SetState(r.f.AppendState(nil)); err != nil {
					t.Fatal(err)
				}
			}
			if k == cut-12 {
				r.blocked = !r.blocked
			}
			return true
		})
		for range 3 {
			deed(t, r)
			if g.Estimate() != r.f.Estimate() {
				t.Fatalf("restored, later\n%+v\n%+v", g.Estimate(), r.f.Estimate())
			}
		}
		if !bytes.Equal(g.AppendState(nil), r.f.AppendState(nil)) {
			t.Fatal("a restored filter has come to another state")
		}
	})
}

func TestBadState(t *testing.T) {
	r := newRig(allPoints)
	r.press(0)
	r.blast(30, nil)
	was := r.f.Estimate()
	good := r.f.AppendState(nil)
	for n := range good {
		if err := r.f.SetState(good[:n]); err == nil {
			t.Fatalf("took %d bytes of %d", n, len(good))
		}
	}
	if r.f.Estimate() != was {
		t.Error("a refused state has left something")
	}
}

func TestNoAllocation(t *testing.T) {
	r := newRig(allPoints)
	r.empties(nil)
	s := steady.Second{At: r.at, Span: time.Second, N: 10, Has: allPoints}
	for i := range s.P {
		s.P[i] = 9e5 - 1e4*float64(i)
		s.PP[i] = s.P[i] * s.P[i]
	}
	p := stroke.Press{At: r.at, Rested: time.Minute, From: 101325, Fill: 3}
	v := stroke.Vent{At: r.at, Blast: time.Minute, Time: 3 * time.Second}
	room := make([]byte, 0, 1024)
	if n := testing.AllocsPerRun(200, func() {
		r.f.Second(&s, &s)
		r.f.Press(&p)
		r.f.Vent(&v)
		r.f.Estimate()
		room = r.f.AppendState(room[:0])
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSecond(b *testing.B) {
	r := newRig(allPoints)
	r.empties(nil)
	s := steady.Second{At: r.at, Span: time.Second, N: 10, Has: allPoints}
	for i := range s.P {
		s.P[i] = 9e5 - 1e4*float64(i)
		s.PP[i] = s.P[i] * s.P[i]
	}
	b.ReportAllocs()
	for b.Loop() {
		r.f.Second(&s, &s)
	}
}

func BenchmarkEstimate(b *testing.B) {
	r := newRig(allPoints)
	r.empties(nil)
	b.ReportAllocs()
	for b.Loop() {
		r.f.Estimate()
	}
}
