package alarm

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// begin is when all tests begin.
const begin = si.Instant(1_790_000_000_000_000)

// A store is what records keep, reduced to what counts here.
type store struct {
	alarms map[string]*Alarm
	order  []string
}

func newStore() *store { return &store{alarms: map[string]*Alarm{}} }

func (s *store) take(t require, changes []Change) {
	for i := range changes {
		c := &changes[i]
		if c.New {
			if s.alarms[c.Alarm] != nil {
				t.Fatalf("alarm %s is new twice", c.Alarm)
			}
			r := c.Record()
			s.alarms[c.Alarm] = &r
			s.order = append(s.order, c.Alarm)
		} else {
			a := s.alarms[c.Alarm]
			if a == nil {
				t.Fatalf("%s of alarm %s that was never raised", c.Event, c.Alarm)
			}
			if a.Ended != 0 {
				t.Fatalf("%s of alarm %s after its end", c.Event, c.Alarm)
			}
			a.Transitions = append(a.Transitions, c.Transition)
		}
		if c.Ends {
			s.alarms[c.Alarm].Ended = c.At
		}
	}
}

// open are the open ones, the oldest first, as records.OpenAlarms gives them.
func (s *store) open() []Alarm {
	var out []Alarm
	for _, id := range s.order {
		if a := s.alarms[id]; a.Ended == 0 {
			c := *a
			c.Transitions = slices.Clone(a.Transitions)
			slices.SortFunc(c.Transitions, func(x, y Transition) int { return cmp.Or(cmp.Compare(x.At, y.At), cmp.Compare(x.ID, y.ID)) })
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(x, y Alarm) int { return cmp.Compare(x.Raised, y.Raised) })
	return out
}

type require interface {
	Fatalf(format string, args ...any)
}

// A rig is a board with its records. Two pots hang on quay-1, one on quay-2.
type rig struct {
	t      require
	b      *Board
	s      *store
	at     si.Instant
	n      int
	events []string      // of the last call
	loud   int           // changes that came into sight
	late   time.Duration // how old what is found is
}

var units = []Unit{{"alder", "quay-1"}, {"birch", "quay-1"}, {"cedar", "quay-2"}}

func newRig(t require) *rig {
	r := &rig{t: t, s: newStore(), at: begin}
	r.b = NewBoard(units, r.id)
	r.b.Tick(begin, nil)
	return r
}

func (r *rig) id(si.Instant) string {
	r.n++
	return fmt.Sprintf("%026d", r.n)
}

func (r *rig) took(c []Change) {
	r.events = nil
	for i := range c {
		r.events = append(r.events, c[i].Event)
		if c[i].Loud {
			r.loud++
		}
	}
	r.s.take(r.t, c)
}

func (r *rig) found(k Key, on bool) {
	f := Found{Key: k, Priority: k.priority(), At: r.at.Add(-r.late), On: on}
	f.Evidence.Point, f.Evidence.Fault = k.Point, k.Fault
	r.took(r.b.Note(f, nil))
}

func (r *rig) proven(pot string) {
	r.took(r.b.Note(Found{Key: Key{Pot: pot, Kind: VesselHeld}, At: r.at.Add(-r.late), Proven: true, Evidence: Evidence{Word: goodWord}}, nil))
}

func (r *rig) after(d time.Duration) {
	r.at = r.at.Add(d)
	r.took(r.b.Tick(r.at, nil))
}

// goodWord is the word that lets a latched alarm go.
var goodWord = vent.Vented.String()

func (r *rig) act() Act { return Act{At: r.at, By: "A. Person", Note: "seen"} }

// do is what a person does to the alarm of a key.
func (r *rig) do(what string, k Key) error {
	id := ""
	for _, v := range r.b.Open() {
		if v.Key == k {
			id = v.ID
		}
	}
	var c []Change
	var err error
	switch what {
	case "acknowledge":
		c, err = r.b.Acknowledge(id, r.act(), nil)
	case "reset":
		c, err = r.b.Reset(id, r.act(), nil)
	case "shelve":
		c, err = r.b.Shelve(id, r.at.Add(90*time.Minute), r.act(), nil)
	case "unshelve":
		c, err = r.b.Unshelve(id, r.act(), nil)
	case "take out":
		c, err = r.b.TakeOut(id, r.act(), nil)
	case "bring back":
		c, err = r.b.BringBack(id, r.act(), nil)
	case "comment":
		before := r.b.Open()
		c, err = r.b.Comment(id, r.act(), nil)
		if after := r.b.Open(); !reflect.DeepEqual(before, after) || slices.ContainsFunc(c, func(c Change) bool { return c.Loud || c.Ends || c.New }) {
			r.t.Fatalf("a comment has changed\n%+v to\n%+v, %+v", before, after, c)
		}
	default:
		panic(what)
	}
	if err != nil && len(c) != 0 {
		r.t.Fatalf("%s was refused and changed something", what)
	}
	r.took(c)
	return err
}

func (r *rig) state(k Key) State {
	for _, v := range r.b.Open() {
		if v.Key == k {
			return v.State
		}
	}
	return Normal
}

// restart makes the board anew from what is recorded.
func (r *rig) restart() error {
	r.b = NewBoard(units, r.id)
	c, err := r.b.Restore(r.s.open(), r.at)
	r.took(c)
	return err
}

// watches are what the vent and gauge watches of a pot have found.
type watches struct {
	vent   [vent.Conditions]vent.Finding
	gauges [points.Count][gauges.Kinds]gauges.Finding
	held   *vent.Healthy // what the vent is held against; nil: nothing
}

func (w *watches) Healthy() (vent.Healthy, bool) {
	if w.held == nil {
		return vent.Healthy{}, false
	}
	return *w.held, true
}

func (w *watches) Find(c vent.Condition) vent.Finding { return w.vent[c] }

type gaugeWatch struct{ *watches }

func (w gaugeWatch) Find(p points.Point, k gauges.Kind) gauges.Finding { return w.gauges[p][k] }

// pot is a rig for a detector: a healthy pot at rest that changes by what a test does to its signals.
type pot struct {
	t     *testing.T
	w     *watches
	s     Signals
	d     *Detector
	found []Found
}

func newPot(t *testing.T) *pot {
	w := &watches{}
	every := points.All()
	all := points.SetOf(every[:]...)
	p := &pot{t: t, w: w, d: NewDetector(Params{Pot: "alder", Points: all, Rated: 150 * si.PSI})}
	p.s = Signals{At: begin, Vent: w, Gauges: gaugeWatch{w}, Handle: vent.Handle{Known: true}, Answered: true,
		Answer: vent.Answer{Word: vent.NotProven, Because: vent.CodesOf(vent.NoVentSeen)},
		Vessel: Pressure{true, 0}, Supply: Pressure{true, 120 * si.PSI}, Nozzle: Pressure{true, 0}, Target: Pressure{true, 100 * si.PSI}}
	for i := range p.s.Wear {
		p.s.Wear[i] = Index{Known: true, Value: 1, SD: 0.02, Limit: 1.3}
	}
	p.s.Level = Level{Known: true, Share: 0.9, Low: 0.85, High: 0.95, EmptyKnown: true, P10: 50 * time.Minute, P50: time.Hour, P90: 70 * time.Minute}
	p.s.Drain.Known = true
	return p
}

// run steps ten times a second; change is called before each step with the time since the run began. Where nothing changes once a second is as good, as Detector.Step has it,
// but for the first and last half minute.
func (p *pot) run(d time.Duration, change func(time.Duration)) {
	p.t.Helper()
	from := p.s.At
	for p.s.At < from.Add(d) {
		step := 100 * time.Millisecond
		if gone := p.s.At.Sub(from); change == nil && gone >= 30*time.Second && d-gone > 31*time.Second {
			step = time.Second
		}
		p.step(step, p.s.At.Sub(from)+step, change)
	}
}

// runSlow is run for what is looked at every slowEvery alone.
func (p *pot) runSlow(d time.Duration, change func(time.Duration)) {
	p.t.Helper()
	for at := slowEvery; at <= d; at += slowEvery {
		p.step(slowEvery, at, change)
	}
}

func (p *pot) step(by, at time.Duration, change func(time.Duration)) {
	p.s.At = p.s.At.Add(by)
	if change != nil {
		change(at)
	}
	p.found = p.d.Step(&p.s, p.found)
}

// times is how often a condition has begun and ended.
func (p *pot) times(k Kind) (on, off int) {
	for _, f := range p.found {
		switch {
		case f.Kind != k || f.Proven:
		case f.On:
			on++
		default:
			off++
		}
	}
	return on, off
}

func (p *pot) want(k Kind, on, off int) {
	p.t.Helper()
	if n, m := p.times(k); n != on || m != off {
		p.t.Fatalf("%s began %d and ended %d times, want %d and %d", k, n, m, on, off)
	}
}

// blast lets the pot blast at a nozzle pressure.
func (p *pot) blast(nozzle si.GaugePressure) {
	p.s.Blasting, p.s.Handle.Pressed = true, true
	p.s.Answer = vent.Answer{Word: vent.Pressurised, Because: vent.CodesOf(vent.OverLimit)}
	p.s.Vessel.Value, p.s.Nozzle.Value = 110*si.PSI, nozzle
	p.s.Level.Feed = Flowing
}
