package vent_test

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Stories are told in seconds and kPa.
const (
	psi   = si.PSI / si.KPa
	epoch = si.Instant(1_800_000_000_000_000)
)

func instant(t float64) si.Instant { return epoch + si.Instant(math.Round(t*1e6)) }

// A move is what a curve does from an instant on: towards a value, straight within a time or with a time constant.
type move struct {
	at, from, to float64
	over         float64 // straight, in so many seconds; 0: see tau
	tau          float64 // time constant; both zero: at once
}

func (m move) value(t float64) float64 {
	switch d := t - m.at; {
	case m.over > 0 && d < m.over:
		return m.from + (m.to-m.from)*d/m.over
	case m.over == 0 && m.tau > 0:
		return m.to + (m.from-m.to)*math.Exp(-d/m.tau)
	}
	return m.to
}

// A curve is a true pressure in pieces.
type curve []move

func (c curve) value(t float64) float64 {
	for i := len(c) - 1; i >= 0; i-- {
		if c[i].at <= t+1e-9 {
			return c[i].value(t)
		}
	}
	return 0
}

// A view is how a gauge shows the truth from an instant on. It is called in order of time.
type view struct {
	at float64
	f  func(t, truth float64) float64
}

type spell struct {
	from, to float64
	quality  points.Quality
	silent   bool // no samples at all
}

// An item of a stream: a sample, or a break where brk is set.
type item struct {
	t, truth float64 // arrival; the vessel's true pressure at the sample, kPa
	sample   points.Sample
	brk      vent.Break
	order    int // at the same instant
}

// A story is the script of one pot: what truly happens, what the gauges show of it, and what is expected. Every
// method acts at the cursor; those that take time move it on.
type story struct {
	pot    vent.Pot
	cursor float64
	truth  [points.Count]curve
	views  [points.Count][]view
	spells [points.Count][]spell
	period [points.Count]float64
	late   [points.Count]float64 // how much later than the others the samples arrive
	breaks []item
	noise  float64 // standard deviation, kPa
	seed   uint64

	top      [points.Count]float64 // pressures while pressed, control: of the line
	charge   float64               // time constant of the charge
	vent     float64               // time constant of the vent
	straight float64               // the vent takes so long along a straight line instead
	grace    float64               // how long truth may stand over 7 kPa before vented counts as wrong
	long     bool                  // too long for the oracle: truth and the story's own checks alone count
	checks   []check
}

func newStory(p vent.Pot) *story {
	s := &story{pot: p, charge: 0.8, vent: 1.6, grace: 0.6, seed: 1}
	s.top = [points.Count]float64{points.Supply: 690, points.Separator: 680, points.Vessel: 670,
		points.Hose: 640, points.Nozzle: 600, points.Control: 620}
	for i := range s.period {
		s.period[i] = 0.1
	}
	s.jump(points.Supply, 700)
	s.jump(points.Separator, 700)
	s.jump(points.Control, s.released())
	return s
}

func (s *story) pressed() float64 {
	if s.pot.Inverse {
		return 0
	}
	return s.top[points.Control]
}

func (s *story) released() float64 {
	if s.pot.Inverse {
		return s.top[points.Control]
	}
	return 0
}

func (s *story) start(p points.Point, m move) {
	c := s.truth[p]
	for len(c) > 0 && c[len(c)-1].at > m.at {
		c = c[:len(c)-1]
	}
	m.from = c.value(m.at)
	s.truth[p] = append(c, m)
}

// jump, ramp and blow set a true pressure going; they take no time of the story.
func (s *story) jump(p points.Point, to float64) { s.start(p, move{at: s.cursor, to: to}) }
func (s *story) ramp(p points.Point, to, over float64) {
	s.start(p, move{at: s.cursor, to: to, over: over})
}
func (s *story) blow(p points.Point, to, tau float64) {
	s.start(p, move{at: s.cursor, to: to, tau: tau})
}

// rest lets time pass.
func (s *story) rest(d float64) { s.cursor += d }

// press presses the handle: the line rises at once, the air 0.3 s later.
func (s *story) press(d float64) {
	s.start(points.Control, move{at: s.cursor, to: s.pressed(), over: 0.1})
	for _, p := range []points.Point{points.Vessel, points.Hose, points.Nozzle} {
		s.start(p, move{at: s.cursor + 0.3, to: s.top[p], tau: s.charge})
	}
	s.rest(d)
}

// release lets go: the line falls at once, the vessel 0.2 s later.
func (s *story) release(d float64) {
	s.start(points.Control, move{at: s.cursor, to: s.released(), over: 0.1})
	s.start(points.Vessel, move{at: s.cursor + 0.2, to: 0, over: s.straight, tau: s.vent})
	s.start(points.Hose, move{at: s.cursor + 0.2, to: 0, tau: 0.3})
	s.start(points.Nozzle, move{at: s.cursor + 0.2, to: 0, tau: 0.3})
	s.rest(d)
}

// handle moves the handle's line alone: no air follows.
func (s *story) handle(down bool, d float64) {
	to := s.released()
	if down {
		to = s.pressed()
	}
	s.ramp(points.Control, to, 0.1)
	s.rest(d)
}

// proven is a healthy press and vent.
func (s *story) proven() {
	s.rest(5)
	s.press(20)
	s.release(16)
	s.says(vent.Vented)
}

// shows changes what a gauge shows of the truth, from the cursor on; nil: the truth again.
func (s *story) shows(p points.Point, f func(t, truth float64) float64) {
	s.views[p] = append(s.views[p], view{s.cursor, f})
}

// stuck has a gauge show one value.
func (s *story) stuck(p points.Point, v float64) {
	s.shows(p, func(float64, float64) float64 { return v })
}

// drained has a gauge lose what it shows with a time constant, whatever the truth does.
func (s *story) drained(p points.Point, tau float64) {
	m := move{at: s.cursor, from: s.truth[p].value(s.cursor), tau: tau}
	s.shows(p, func(t, _ float64) float64 { return m.value(t) })
}

// lagging has a gauge follow the truth with a time constant: a port that is nearly plugged.
func (s *story) lagging(p points.Point, tau float64) {
	last, v := s.cursor, s.truth[p].value(s.cursor)
	s.shows(p, func(t, truth float64) float64 {
		v += (truth - v) * (1 - math.Exp(-(t-last)/tau))
		last = t
		return v
	})
}

// bad gives a point's samples a quality, silent leaves them out, for a time; neither takes time of the story.
func (s *story) bad(p points.Point, q points.Quality, d float64) {
	s.spells[p] = append(s.spells[p], spell{s.cursor, s.cursor + d, q, false})
}

func (s *story) silent(p points.Point, d float64) {
	s.spells[p] = append(s.spells[p], spell{s.cursor, s.cursor + d, 0, true})
}

func (s *story) breakRun(b vent.Break) {
	s.breaks = append(s.breaks, item{t: s.cursor, brk: b})
}

// every sets how often all points are read, s.
func (s *story) every(d float64) {
	for i := range s.period {
		s.period[i] = d
	}
}

// stream is the story as its samples arrive.
func (s *story) stream() []item {
	rng := rand.New(rand.NewPCG(s.seed, 7))
	var out []item
	for i, p := range points.All() {
		if !s.pot.Points.Has(p) {
			continue
		}
		for k := 0; ; k++ {
			t := float64(k)*s.period[p] + float64(i)*0.01
			if t > s.cursor {
				break
			}
			if it, ok := s.sample(p, t, rng); ok {
				out = append(out, it)
			}
		}
	}
	out = append(out, s.breaks...)
	for i := range out {
		out[i].order = i
	}
	slices.SortFunc(out, func(a, b item) int { return cmp.Or(cmp.Compare(a.t, b.t), a.order-b.order) })
	return out
}

func (s *story) sample(p points.Point, t float64, rng *rand.Rand) (item, bool) {
	truth := s.truth[p].value(t)
	shown := truth
	for _, v := range slices.Backward(s.views[p]) {
		if v.at <= t+1e-9 {
			if v.f != nil {
				shown = v.f(t, truth)
			}
			break
		}
	}
	if s.noise > 0 {
		shown += s.noise * rng.NormFloat64()
	}
	out := item{t: t + s.late[p], truth: s.truth[points.Vessel].value(t),
		sample: points.Sample{Point: p, Quality: points.Good, At: instant(t), Value: si.GaugePressure(shown * si.KPa)}}
	if p == points.Control && s.pot.Electric {
		out.sample.Value, out.sample.Pressed = 0, truth > 300
	}
	for _, sp := range s.spells[p] {
		if t < sp.from-1e-9 || t >= sp.to-1e-9 {
			continue
		}
		if sp.silent {
			return item{}, false
		}
		if out.sample.Quality = sp.quality; sp.quality == points.NoReply {
			out.sample.Value, out.sample.Pressed = 0, false
		}
	}
	return out, true
}

// alder is the pot of most stories: 6.5 ft3, rated 150 psi, target 100 psi, on a 200 psi gauge of undeclared error.
func alder(ps ...points.Point) vent.Pot {
	if len(ps) == 0 {
		ps = []points.Point{points.Vessel, points.Control, points.Hose}
	}
	p := vent.Pot{Name: "alder", Volume: 6.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI, Points: points.SetOf(ps...)}
	p.Gauges[points.Vessel] = vent.Gauge{Kind: vent.KindGauge, Lo: 0, Hi: 200 * si.PSI}
	return p
}

// with is a pot changed.
func with(p vent.Pot, change func(*vent.Pot)) vent.Pot {
	change(&p)
	return p
}

func commissioned(p vent.Pot, d time.Duration) vent.Pot {
	p.Commissioned = &vent.Vent{Time: d, By: "yard foreman", At: "2031-04-02"}
	return p
}
