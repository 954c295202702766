package level

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

// The mean over a second of what fades, against the sum of a thousand parts of it.
func TestFading(t *testing.T) {
	for _, tail := range []float64{0, 0.3, 2, 11} {
		for since := -3.0; since < 12; since += 0.23 {
			want := 0.0
			for i := range 1000 {
				switch at := since - 0.5 + (float64(i)+0.5)/1000; {
				case at <= 0:
					want += 0.001
				case tail > 0:
					want += 0.001 * math.Exp(-at/tail)
				}
			}
			if got := fading(since, tail); math.Abs(got-want) > 0.002 {
				t.Errorf("%v s after, in %v s: %v, should be %v", since, tail, got, want)
			}
		}
	}
}

// Anscombe's first set of eleven (The American Statistician 27, 1973) has the line 3.00 + 0.500 x, and leaves a sum of squares of 13.76; both from memory. Turned upside
// down no line with a slope that is not negative fits it better than its mean, whose sum of squares is 41.27.
func TestLine(t *testing.T) {
	xs := [...]float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	ys := [...]float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	var l, down line2
	for i, x := range xs {
		l.add(x, ys[i], 0.25)
		down.add(-x, ys[i], 1)
	}
	if got := l.misfit() * 0.25; math.Abs(got-13.76) > 0.01 {
		t.Errorf("leaves %v", got)
	}
	if got := down.misfit(); math.Abs(got-41.27) > 0.01 {
		t.Errorf("upside down it leaves %v", got)
	}
	if got := (&line2{}).misfit(); got != 0 {
		t.Errorf("of nothing %v", got)
	}
}

// A plane through the same points: what it leaves is the least that a search finds, and with the third figure held to nothing it is the line.
func TestLine3(t *testing.T) {
	xs := [...]float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	ys := [...]float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	zs := [...]float64{1, -2, -3, 3, 0, 0, 3, -1, 2, -2, 0}
	var flat line2
	var l, down line3
	for i, x := range xs {
		flat.add(x, ys[i], 0.25)
		l.add(x, zs[i], ys[i], 0.25)
		down.add(-x, 0, ys[i], 1)
	}
	if got, want := l.misfit(0), flat.misfit(); math.Abs(got-want) > 1e-9 {
		t.Errorf("leaves %v, the line %v", got, want)
	}
	if got := down.misfit(1); math.Abs(got-41.27) > 0.01 {
		t.Errorf("upside down it leaves %v", got)
	}
	if got := (&line3{}).misfit(1); got != 0 {
		t.Errorf("of nothing %v", got)
	}
	for _, sd := range []float64{0.05, 0.3, 4} {
		least, at, step := math.Inf(1), [3]float64{3, 0.5, 0}, 1.0
		for ; step > 1e-7; step /= 2 {
			for moved := true; moved; {
				moved = false
				for k := range 6 {
					try := at
					try[k/2] += step * float64(1-2*(k%2))
					sum := square(try[2] / sd)
					for i, x := range xs {
						sum += square(ys[i]-try[0]-try[1]*x-try[2]*zs[i]) / 0.25
					}
					if sum < least {
						least, at, moved = sum, try, true
					}
				}
			}
		}
		if got := l.misfit(sd); math.Abs(got-least) > 1e-3 || least > flat.misfit()-0.05 {
			t.Errorf("held to %v: leaves %v, the best found %v", sd, got, least)
		}
	}
}

// stream lets abrasive flow for 25 s and come to an end, by the differential equations of cone and hose in steps of 10 ms, until what enters the hose has been
// nothing for as long as it takes to find that. A cone of 0 is a blocked valve.
func stream(rng *rand.Rand, cone, flow, clears, noise float64) *ending {
	return slowedStream(rng, cone, flow, clears, noise, 0)
}

// slowedStream is one whose nozzle is slowed by less than the loss is reckoned with: so much of the clean loss is in it for each unit of loading.
func slowedStream(rng *rand.Rand, cone, flow, clears, noise, off float64) *ending {
	e := &ending{}
	onset := 25 + rng.Float64()
	left, in, gone := 1.0, 1.0, 0
	for s := 0; gone < 3; s++ {
		load, loss := 0.0, 0.0
		for i := range 100 {
			enters := 1.0
			if at := float64(s) + float64(i)/100; at > onset {
				if cone > 0 {
					left -= left * flow / cone / 100
				} else {
					left = 0
				}
				enters = left
			}
			in += (enters - in) / clears / 100
			load += in / 100
			loss += 0.6 * (1 + 2./3*enters + off*1.3*in) / 100
		}
		if left < 0.15 {
			gone++
		}
		e.second(float64(s), 1.3*load+noise*rng.NormFloat64(), 0.05*(loss+noise*rng.NormFloat64()))
	}
	return e
}

// Blocked valves and empty pots are told apart, and what is said to be so many times likelier is wrong no more often than that.
func TestEnding(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	wrong, surely, silly := 0, 0, 0
	const each = 150
	for i := range 2 * each {
		cone := 0.0
		if i%2 > 0 {
			cone = 0.3 * math.Pow(6, rng.Float64())
		}
		flow, clears, noise := 0.05*math.Pow(5, rng.Float64()), 1.5*math.Pow(3, rng.Float64()), 0.01*math.Pow(4, rng.Float64())
		got := stream(rng, cone, flow, clears, noise).judge(1.3, flow, clears)
		if got < 1/endMost || got > endMost {
			t.Fatalf("%v", got)
		}
		if cone > 0 {
			got = 1 / got // how much likelier what is not the case
		}
		switch {
		case got > 10:
			silly++
		case got > 1:
			wrong++
		case got < 0.1:
			surely++
		}
	}
	if wrong > each/10 || silly > 1 || surely < each*3/2 {
		t.Errorf("of %d: on the wrong side %d, far on it %d, surely right %d", 2*each, wrong, silly, surely)
	}
}

// The last of a pot may thin out for so long that it began before the seconds that are kept. What k of (1) is off lets the loss creep as the hose of a blocked valve clears, and
// however much flows, no pot thins out as quickly as a valve is blocked. Means of logarithms.
func TestEndingAstray(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	var slow, creeps, quick float64
	const each = 60
	for range each {
		x := rng.Float64()
		// Its usual loading has gone along.
		slow += math.Log(slowedStream(rng, 0.6+0.3*x, 0.06, 3+6*x, 0.03, 0).judge(0.85, 0.04, 3+6*x)) / each
		creeps -= math.Log(slowedStream(rng, 0, 0.2, 2+2*x, 0.01, 2*endSlows).judge(1.3, 0.2, 3)) / each
		quick -= math.Log(slowedStream(rng, 0, 0.4, 2+2*x, 0.01, 0).judge(1.3, 0.4, 3)) / each
	}
	if slow < math.Log(20) {
		t.Errorf("a pot that ran empty slowly is %.2g times likelier to have done so than to be blocked", math.Exp(slow))
	}
	if creeps < math.Log(8) {
		t.Errorf("a valve whose loss creeps is %.2g times likelier blocked", math.Exp(creeps))
	}
	if quick < math.Log(15) {
		t.Errorf("a valve behind which much flowed is %.2g times likelier blocked", math.Exp(quick))
	}
}

// Without enough seconds, without dimensions, or in a hose that has not been filled, an ending tells nothing; nor do readings that are none.
func TestEndingUnknown(t *testing.T) {
	e := stream(rand.New(rand.NewPCG(1, 2)), 0, 0.1, 2, 0.01)
	if got := e.judge(1.3, 0.1, 2); got > 0.1 {
		t.Fatalf("blocked: %v", got)
	}
	for _, x := range [][3]float64{{0, 0.1, 2}, {1.3, 0, 2}, {1.3, 0.1, 0}, {math.NaN(), 0.1, 2}} {
		if got := e.judge(x[0], x[1], x[2]); got != 1 {
			t.Errorf("%v: %v", x, got)
		}
	}
	if got := e.judge(2.5, 0.1, 2); got != 1 {
		t.Errorf("of a hose filled by half: %v", got)
	}
	few := &ending{}
	for i := range endLeast - 1 {
		few.second(float64(i), 1.3, 0.05)
		few.second(float64(i), math.NaN(), 0.05)
	}
	if got := few.judge(1.3, 0.1, 2); got != 1 {
		t.Errorf("%d s: %v", few.n, got)
	}
}

// bare is a filter of a pot with hose and nozzle point, and its clock.
type bare struct {
	f     *Filter
	at    si.Instant
	under bool // the vessel stands under the hose point
	rate  float64
}

func newBare() *bare {
	return &bare{at: 1_760_000_000_000_000, f: New(Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.1, Nozzle: 0.009, HoseBore: 0.032, HoseLength: 20, Target: 700e3})}
}

// blast is so many seconds with a share of what the hose loses by the usual loading.
func (b *bare) blast(n int, share func(i int) float64) {
	const pn = 800e3
	m := &b.f.meter
	for i := range n {
		b.at = b.at.Add(time.Second)
		s := steady.Second{At: b.at, Span: time.Second, N: 10, Has: b.f.params.Points, Rated: true, Steady: true, Rate: b.rate}
		x := m.hose + share(i)*usualLoading*m.unit()/(1+slowing*usualLoading)
		tee := 0.04
		if b.under {
			tee = -0.04
		}
		for pt, pp := range map[points.Point]float64{points.Nozzle: pn * pn, points.Hose: pn * pn * (1 + x), points.Vessel: pn * pn * (1 + tee + x)} {
			s.P[pt], s.PP[pt] = math.Sqrt(pp), pp
		}
		b.f.Second(&s, &s)
	}
}

// A server that starts within a press hears neither of that press nor of its vent, and of the next press only when that has gone on for long. Its
// hose is empty at first, and that is no stop; and the late word ends nothing that has been seen.
func TestBeginsWithinPress(t *testing.T) {
	b := newBare()
	b.blast(30, func(int) float64 { return 1 })
	b.at = b.at.Add(25 * time.Second)
	pressed := b.at
	b.blast(18, func(i int) float64 {
		if got := b.f.Estimate().Stop; got != Flowing {
			t.Fatalf("%v after %d s", got, i)
		}
		return 1 - math.Exp(-max(0, float64(i-2))/2)
	})
	b.blast(6, func(int) float64 { return 0 })
	if got := b.f.Estimate().Stop; got == Flowing {
		t.Fatal("a stop was not found")
	}
	b.f.Press(&stroke.Press{At: pressed, Rested: 25 * time.Second})
	b.blast(1, func(int) float64 { return 0 })
	if b.f.meter.stopped < 2 {
		t.Error("the late word of a press has ended a stop that goes on")
	}
}

// What was seen of a stop is still known in the next press, in which nothing comes either, and no longer when abrasive flows again.
func TestCarried(t *testing.T) {
	b := newBare()
	b.blast(60, func(int) float64 { return 1 })
	b.blast(8, func(i int) float64 { return math.Exp(-float64(i) / b.f.meter.clears) })
	if b.f.meter.stopped == 0 {
		t.Fatal("a stop was not found")
	}
	b.f.meter.ending.told = 0.02
	b.f.Vent(&stroke.Vent{At: b.at, Blast: 68 * time.Second})
	b.at = b.at.Add(20 * time.Second)
	b.f.Press(&stroke.Press{At: b.at, Rested: 20 * time.Second})
	b.blast(25, func(int) float64 { return 0 })
	if got := b.f.thinned(); b.f.meter.stopped == 0 || math.Abs(got-0.02) > 1e-6 {
		t.Errorf("in the next press %v, stopped for %d s", got, b.f.meter.stopped)
	}
	b.f.Break()
	b.at = b.at.Add(20 * time.Second)
	b.blast(25, func(int) float64 { return 1 })
	if b.f.carried != 0 || b.f.Estimate().Stop != Flowing {
		t.Errorf("it flows again: %v, %v", b.f.carried, b.f.Estimate().Stop)
	}
}

// Of a press in which nothing comes, after one in which it came to the end, the metering is likelier blocked; without a nozzle point neither is seen.
func TestThinned(t *testing.T) {
	b := newBare()
	b.f.anchored = true
	if got := b.f.thinned(); got != 1/neverCame {
		t.Errorf("nothing came: %v", got)
	}
	b.f.faded = true
	if got := b.f.thinned(); got != 1 {
		t.Errorf("nothing came after a stream that was fading: %v", got)
	}
	b.f.meter.flown, b.f.meter.ending.told = true, 7
	if got := b.f.thinned(); got != 7 {
		t.Errorf("%v", got)
	}
	p := b.f.params
	p.Points = points.SetOf(points.Supply, points.Vessel, points.Hose)
	blind := New(p)
	blind.meter.flown, blind.meter.ending.told = true, 7
	if got := blind.thinned(); got != 1 {
		t.Errorf("without a nozzle point: %v", got)
	}
}

// A vessel that still fills, and stands under its hose point, gives no abrasive: it is waited for, and what does not come once it is up is a stop.
func TestVesselFills(t *testing.T) {
	b := newBare()
	b.blast(40, func(int) float64 { return 1 })
	b.f.Vent(&stroke.Vent{At: b.at, Blast: 40 * time.Second})
	b.at = b.at.Add(20 * time.Second)
	b.f.Press(&stroke.Press{At: b.at, Rested: 20 * time.Second})
	b.under = true
	b.blast(14, func(int) float64 { return 0 })
	if got := b.f.Estimate().Stop; got != Flowing {
		t.Errorf("%v before the vessel is up", got)
	}
	b.under = false
	b.blast(14, func(int) float64 { return 0 })
	if got := b.f.Estimate().Stop; got == Flowing {
		t.Error("nothing came, and that was not found")
	}
}

// A vent whose release was not heard is no blast in which abrasive has stopped.
func TestReleaseNotHeard(t *testing.T) {
	for _, rate := range []float64{-25 * si.KPa, -60 * si.KPa} {
		b := newBare()
		b.blast(40, func(int) float64 { return 1 })
		b.rate = rate
		b.blast(10, func(int) float64 { return 0 })
		if stopped := b.f.Estimate().Stop != Flowing; stopped != (rate > -mostFall) {
			t.Errorf("the vessel falls by %v Pa/s: stopped %v", rate, stopped)
		}
	}
}
