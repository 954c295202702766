package level

import (
	"math"
	"math/rand/v2"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine/steady"
)

// A plumbing is a pot's pipes behind the supply, all of square law; what a gauge is off is added to its pressure.
type plumbing struct {
	separator, valve, push, line, mixing float64 // resistances, Pa2 s2/kg2
	metering                             float64 // of the open metering valve, without abrasive in it
	off                                  [points.Count]float64
}

var pipes = plumbing{separator: 4e12, valve: 4e12, push: 0.8e12, line: 13e12, mixing: 1.8e12, metering: 25e12}

// second is one in which the hose takes m, kg/s: drag multiplies the tee's resistance, open lets air through the metering valve.
func (p *plumbing) second(m, drag float64, open bool) steady.Second {
	sq := func(x float64) float64 { return x * x }
	tee := sq(780e3) + p.mixing*drag*m*m
	both, through := p.push, 0.0
	if open {
		// Turbulent resistances in parallel: 1/sqrt(r) adds up (Crane, Technical Paper 410; Kirchhoff's rule of nodes with a square law).
		branch := p.line + p.metering
		both = 1 / sq(1/math.Sqrt(p.push)+1/math.Sqrt(branch))
		through = m * math.Sqrt(both/branch)
	}
	parting := tee + both*m*m
	separator := parting + p.valve*m*m
	s := steady.Second{N: 10}
	for pt, pp := range map[points.Point]float64{points.Supply: separator + p.separator*m*m, points.Separator: separator, points.Vessel: parting - p.line*through*through, points.Hose: sq(780e3)} {
		s.P[pt] = math.Sqrt(pp) + p.off[pt]
		s.PP[pt] = sq(s.P[pt])
		s.Has |= points.SetOf(pt)
	}
	return s
}

// rests gives so many instants at which supply and separator have one pressure.
func (p *plumbing) rests(to *path, n int) {
	var at [points.Count]float64
	for pt := range at {
		at[pt] = 900e3 + p.off[pt]
	}
	for range n {
		to.rest(points.SetOf(points.Supply, points.Separator, points.Vessel), &at)
	}
}

// blasts gives a press of laden seconds, and then a stop; it is what the path tells at the end.
func (p *plumbing) blasts(to *path, open bool) float64 {
	to.press(false)
	for age := range 80 {
		s := p.second(0.055, 1.8, false)
		to.second(&s, age, age > 8, false)
	}
	for age := 80; age < 95; age++ {
		s := p.second(0.064, 1, open)
		to.second(&s, age, false, true)
	}
	return to.told(true)
}

// Blocked is told from empty by the law of two branches, with whatever errors gauges may have: weakly in a pot's first stop, and surely once both were
// seen. A pot that shows neither tells nothing that is far from even.
func TestPath(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	right := 0
	for range 200 {
		pot := pipes
		for pt := range pot.off {
			pot.off[pt] = (2*rng.Float64() - 1) * 1.7e3 // a quarter psi
		}
		for _, open := range []bool{false, true} {
			var p path
			pot.rests(&p, 100)
			if first := pot.blasts(&p, open); (first > 1) == open {
				right++
			}
		}
		var p path
		pot.rests(&p, 100)
		for _, open := range []bool{false, true, true, false} {
			pot.blasts(&p, open)
			p.proven([]Stop{Blocked, Empty}[map[bool]int{false: 0, true: 1}[open]])
		}
		if like := pot.blasts(&p, true); like < 20 {
			t.Fatalf("%v: empty, %v times likelier", pot.off, like)
		}
		p.forget()
		if like := pot.blasts(&p, false); like > 0.05 {
			t.Fatalf("%v: blocked, empty %v times likelier", pot.off, like)
		}
		p.forget()
		pot.metering = 1e18 // as good as shut: nothing shows
		var q path
		pot.rests(&q, 100)
		if like := pot.blasts(&q, true); like < 0.1 || like > 3 {
			t.Fatalf("%v: where nothing shows, %v", pot.off, like)
		}
	}
	if right < 230 {
		t.Errorf("%d of 400 first stops told right", right)
	}
	for _, open := range []bool{false, true} { // with gauges that are right
		var p path
		pipes.rests(&p, 100)
		if like := pipes.blasts(&p, open); (like > 1) != open {
			t.Errorf("right gauges, first stop, open %v: %v", open, like)
		}
	}
}

// One kind that was proven tells the other one.
func TestPathOfOneKind(t *testing.T) {
	for _, was := range []bool{false, true} {
		for _, open := range []bool{false, true} {
			var p path
			pipes.blasts(&p, was)
			p.proven([]Stop{Blocked, Empty}[map[bool]int{false: 0, true: 1}[was]])
			if like := pipes.blasts(&p, open); open && like < 2 || !open && like > 0.5 {
				t.Errorf("proven open %v, now open %v: %v", was, open, like)
			}
		}
	}
}

// What may have been filled proves no blocked valve, a short stop proves nothing, and without a point there is nothing to tell.
func TestPathUnproven(t *testing.T) {
	var p path
	pipes.blasts(&p, true)
	p.press(true)
	p.proven(Blocked)
	if p.refN != [2]int{} || p.of != 0 || p.filled {
		t.Errorf("%+v", p)
	}
	for age := range 23 {
		s := pipes.second(0.06, 1, true)
		p.second(&s, age, false, true)
	}
	p.proven(Empty)
	if p.refN != [2]int{} {
		t.Errorf("learned of a stop in a young press: %+v", p)
	}
	var q path
	for age := range 95 {
		s := pipes.second(0.06, 1, true)
		s.Has &^= points.SetOf(points.Supply, points.Separator)
		q.second(&s, age, age < 80, age >= 80)
	}
	if like := q.told(true); like != 1 {
		t.Errorf("with vessel and hose alone: %v", like)
	}
}

// The density of a sum is the convolution of both densities, here by Simpson's rule.
func TestBeyond(t *testing.T) {
	for _, c := range []struct{ v, scale float64 }{{0.01, 0.3}, {0.04, 0.1}, {1, 1}} {
		for _, x := range []float64{-0.5, -0.1, 0, 0.2, 0.9} {
			const n = 4000
			sum, top := 0.0, 8*c.scale
			for i := range n + 1 {
				w := float64(2 + 2*(i%2))
				if i == 0 || i == n {
					w = 1
				}
				y := top * float64(i) / n
				sum += w * 2 * normal(y, c.scale*c.scale) * normal(x-y, c.v)
			}
			if want := sum * top / n / 3; math.Abs(beyond(x, c.v, c.scale)-want) > 1e-6+1e-4*want {
				t.Errorf("%v, %+v: %v, want %v", x, c, beyond(x, c.v, c.scale), want)
			}
		}
	}
}

// Of shifts drawn by the rule that is written down, as many stops come from empty pots as is said: a Monte Carlo count.
func TestFirst(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	const sd, bin = 0.1, 0.05
	var empties, stops [30]float64
	for range 400_000 {
		begins := 1 + beginSD*rng.NormFloat64()
		if rng.Float64() < notFull {
			begins = rng.Float64()
		}
		// Valves block at a rate of so many a capacity that is drawn, at any time; what is drawn is known to a tenth, now and then to less.
		at, empty := -math.Log(1-rng.Float64())/rarer, 0.0
		if at > begins {
			at, empty = begins, 1
		}
		off := sd
		if rng.Float64() < drawnAstray {
			off = math.Hypot(sd, drawnFar)
		}
		if i := int(at * (1 + off*rng.NormFloat64()) / bin); i >= 0 && i < len(stops) {
			stops[i]++
			empties[i] += empty
		}
	}
	f := New(Params{})
	for i, n := range stops {
		if n < 2000 {
			continue
		}
		var b belief
		f.whole, b.p[iFlow][iFlow] = bin*(float64(i)+0.5), sd*sd/drawnKnown
		e, blocked := f.first(&b)
		if got, want := e/(e+blocked), empties[i]/n; math.Abs(got-want) > 0.07 {
			t.Errorf("%.3f of capacity drawn: empty with %.3f, counted %.3f of %v", f.whole, got, want, n)
		}
	}
}

// As a stop goes on its cause is judged again, and a word stays as long as it is the likelier one.
func TestJudge(t *testing.T) {
	seen := map[Stop]int{}
	for share := 0.0; share < 0.1; share += 0.001 {
		f := New(Params{})
		f.anchored, f.meter.stopped = true, 3
		f.b.forget(iShare, share, 0.01)
		p := f.ranDry()
		for _, was := range []Stop{Empty, Blocked, Undecided} {
			want := was
			switch {
			case p > surely:
				want = Empty
			case p < 1-surely:
				want = Blocked
			case was == Empty && p < 0.5, was == Blocked && p > 0.5:
				want = Undecided
			}
			f.est.Stop = was
			f.judge()
			if f.est.Stop != want {
				t.Errorf("share %.3f, empty with %.2f, said to be %v: %v", share, p, was, f.est.Stop)
			}
			seen[want]++
		}
	}
	if len(seen) != 3 {
		t.Errorf("only %v", seen)
	}
}

// What the flow's factor is off counts the less in the time to empty, the steadier the setting: between its quantiles of a lognormal lie
// 2 times 1.2816 standard deviations of the logarithm (tables of the normal distribution).
func TestSteadyForecast(t *testing.T) {
	const sd, flow, share = 0.05, 0.1, 0.6
	width := func(spread float64) float64 {
		f := New(Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.2})
		f.steadyFlow, f.longFlow, f.spread = flow, flow, spread
		f.b.forget(iFlow, 0, sd)
		e := f.empty(&f.b, share, 1e-12)
		if off := e.P50.Seconds() / (share * f.capacity / flow); math.Abs(off-1) > 1e-6 {
			t.Errorf("middle off by %v", off)
		}
		return math.Log(e.P90.Seconds()/e.P10.Seconds()) / (2 * 1.2816)
	}
	if got, want := width(0), sd*math.Sqrt(steadyShare); math.Abs(got/want-1) > 0.01 {
		t.Errorf("one setting: %v, want %v", got, want)
	}
	if got := width(spreadAll); got < sd {
		t.Errorf("many settings: %v, no less than %v", got, sd)
	}
}

// Where the level alone leaves the cause open, how the air parts decides.
func TestPathDecides(t *testing.T) {
	for _, open := range []bool{false, true} {
		f := New(Params{})
		f.anchored = true
		pipes.blasts(&f.path, false)
		f.path.proven(Blocked)
		pipes.blasts(&f.path, true)
		f.path.proven(Empty)
		f.b.forget(iShare, 0.045, 0.01)
		if word := f.cause(); word != Undecided {
			t.Errorf("by the level alone: %v", word)
		}
		pipes.blasts(&f.path, open)
		if word := f.cause(); open && word != Empty || !open && word != Blocked {
			t.Errorf("valve open %v: %v", open, word)
		}
	}
}
