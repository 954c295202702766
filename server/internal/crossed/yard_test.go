package crossed_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/crossed"
)

// A yard is pots with crews, played by a plain model: a vessel fills and empties exponentially after its valves' lag, and what
// a gauge shows is what it is wired to. Times are seconds from start.
type yard struct {
	t     *testing.T
	pots  []*plot
	site  *crossed.Site
	rng   *rand.Rand
	now   float64 // s
	rate  float64 // samples of a point a second
	quick bool    // the handle comes straight from the truth, not from a judge
	heard func(findings []crossed.Finding)
	told  []crossed.Finding

	double *crossed.Site // is fed the same; nil: none
}

// start is any day.
var start = si.InstantOf(time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC))

func instant(s float64) si.Instant { return start.Add(time.Duration(s * float64(time.Second))) }

const dead = -1 // wired to nothing: reads zero

// A plot is a pot's truth and wiring.
type plot struct {
	points   points.Set
	presses  [][2]float64 // from, to
	air      float64      // Pa; 0: the air is off
	vessel   float64      // truth, Pa
	next     int
	wire     [points.Count]int // whose truth each point shows
	judge    *vent.Judge
	late     float64 // s by which it arrives late
	silent   func(t float64) bool
	step     float64    // s of its clock
	queue    []delivery // under way
	handle   vent.Handle
	holds    bool
	mute     func(pt points.Point, t float64) bool
	deadHand bool // the control point never shows a press
}

type delivery struct {
	at float64 // of arrival
	in crossed.Input
}

var allPoints = points.SetOf(points.Separator, points.Vessel, points.Hose, points.Control)

func newYard(t *testing.T, n int, has points.Set) *yard {
	y := &yard{t: t, rng: rand.New(rand.NewPCG(7, 11)), rate: 10}
	for i := range n {
		p := &plot{points: has, air: 700e3}
		for pt := range p.wire {
			p.wire[pt] = i
		}
		y.pots = append(y.pots, p)
	}
	return y
}

// swap exchanges a point of two pots.
func (y *yard) swap(pt points.Point, a, b int) {
	y.pots[a].wire[pt], y.pots[b].wire[pt] = y.pots[b].wire[pt], y.pots[a].wire[pt]
}

// inTurn presses each pot of the list for 15 s, every so many seconds, in so many rounds; it returns the end.
func (y *yard) inTurn(from, every float64, rounds int, pots ...int) float64 {
	for range rounds {
		for _, p := range pots {
			y.press(p, from, from+15)
			from += every
		}
	}
	return from
}

func (y *yard) press(p int, from, to float64) {
	y.pots[p].presses = append(y.pots[p].presses, [2]float64{from, to})
}

func (p *plot) pressed(t float64) bool {
	for p.next < len(p.presses) && p.presses[p.next][1] <= t {
		p.next++
	}
	return p.next < len(p.presses) && p.presses[p.next][0] <= t
}

// flowing is whether the valves stand as for a press: 0.3 s after the handle.
func (p *plot) flowing(t float64) bool {
	for i := max(0, p.next-1); i < min(len(p.presses), p.next+1); i++ {
		if c := p.presses[i]; t >= c[0]+0.3 && t < c[1]+0.3 {
			return true
		}
	}
	return false
}

func (y *yard) begin() {
	if y.site != nil {
		return
	}
	params := make([]crossed.Params, len(y.pots))
	for i, p := range y.pots {
		params[i].HoldsPressure = p.holds
	}
	y.site = crossed.New(params)
	for _, p := range y.pots {
		p.judge = newJudge(p)
	}
}

func newJudge(p *plot) *vent.Judge {
	return vent.NewJudge(vent.Pot{Name: "p", Points: p.points, Rated: 1e6}, vent.Options{})
}

// run plays until t.
func (y *yard) run(t float64) {
	y.begin()
	dt := 1 / y.rate
	for ; y.now < t; y.now += dt {
		for _, p := range y.pots {
			p.pressed(y.now)
			if p.flowing(y.now) {
				p.vessel += (p.air - p.vessel) * (1 - 1/(1+dt/0.8))
			} else {
				p.vessel -= p.vessel * (1 - 1/(1+dt/2.0))
			}
		}
		for i := range y.pots {
			y.sample(i)
		}
		for _, p := range y.pots {
			for len(p.queue) > 0 && p.queue[0].at <= y.now {
				in := p.queue[0].in
				p.queue = p.queue[1:]
				y.feed(&in)
			}
		}
	}
}

func (y *yard) feed(in *crossed.Input) {
	if y.double != nil {
		y.double.Step(in)
	}
	if y.site.Step(in) {
		y.told = y.site.Append(y.told[:0])
		if y.heard != nil {
			y.heard(y.told)
		}
	}
}

func (y *yard) sample(i int) {
	p := y.pots[i]
	silent := p.silent != nil && p.silent(y.now)
	for pt := range points.Point(points.Count) {
		if !p.points.Has(pt) || silent || p.mute != nil && p.mute(pt, y.now) {
			continue
		}
		v := 0.0
		if w := p.wire[pt]; w != dead {
			of := y.pots[w]
			switch pt {
			case points.Vessel:
				v = of.vessel
			case points.Supply:
				v = of.air
			case points.Separator:
				v = of.air
				if of.flowing(y.now) {
					v = 0.95 * of.air
				}
			case points.Hose:
				if of.flowing(y.now) {
					v = 0.93 * of.vessel
				} else {
					v = 0.2 * of.vessel
				}
			case points.Control:
				if of.pressed(y.now) && !of.deadHand {
					v = 600e3
				}
			}
		}
		v += 1e3 * (y.rng.Float64() + y.rng.Float64() - 1)
		at := instant(y.now + p.step + 0.01*float64(pt))
		s := points.Sample{Point: pt, Quality: points.Good, At: at, Value: si.GaugePressure(v)}
		if y.quick {
			pressed := p.pressed(y.now) && !p.deadHand
			if pressed != p.handle.Pressed || !p.handle.Known {
				p.handle = vent.Handle{Known: true, Pressed: pressed, Since: at}
			}
		} else {
			p.judge.Step(s)
			p.handle = p.judge.Handle()
		}
		in := crossed.Input{Pot: i, Sample: s, Handle: p.handle}
		if p.late > 0 {
			p.queue = append(p.queue, delivery{y.now + p.late, in})
			continue
		}
		y.feed(&in)
	}
}

// finds fails unless the present findings are those named.
func (y *yard) finds(want ...crossed.Finding) {
	y.t.Helper()
	got := y.site.Append(nil)
	for i := range got {
		if got[i].Since == 0 {
			y.t.Errorf("finding without an instant: %+v", got[i])
		}
		got[i].Since = 0
	}
	if !slices.Equal(got, want) {
		y.t.Errorf("at %.0f s: found %+v, want %+v", y.now, got, want)
	}
}

func is(pressed, moved int, k crossed.Kind) crossed.Finding {
	return crossed.Finding{Pressed: pressed, Moved: moved, Kind: k}
}
