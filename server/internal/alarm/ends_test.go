package alarm

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// TestAssumedOfAPast: after a start an estimate that has just begun takes a pot for full, its stream for an ordinary one and its separator for drained, until a rewind tells
// it what was before. That ends nothing; once it knows, the condition ends as it always does.
func TestAssumedOfAPast(t *testing.T) {
	for _, x := range []struct {
		kind  Kind
		stood func(p *pot)
		off   time.Duration
	}{
		{PotEmptySoon, func(p *pot) { p.s.Level.Share, p.s.Level.P50 = 0.1, 4*time.Minute }, 11 * time.Second},
		{PotEmpty, func(p *pot) { p.s.Level.Share, p.s.Level.Low, p.s.Level.Feed = 0, 0, Empty }, 4 * time.Second},
		{AbrasiveStopped, func(p *pot) { p.s.Level.Feed = Blocked }, 31 * time.Second},
		{DrainDue, func(p *pot) { p.s.Drain.Due = true }, 11 * time.Second},
	} {
		p := newPot(t)
		p.d.Assume(Key{Pot: "alder", Kind: x.kind})
		p.blast(97 * psi)
		fresh := p.s
		p.run(9*time.Minute, nil)
		p.want(x.kind, 0, 0)
		x.stood(p)
		p.run(time.Second, nil)
		p.want(x.kind, 0, 0)
		at := p.s.At
		p.s = fresh // of a pot that was filled, or drained
		p.s.At = at
		p.run(x.off, nil)
		p.want(x.kind, 0, 1)

		// Nobody ever tells it.
		p = newPot(t)
		p.d.Assume(Key{Pot: "alder", Kind: x.kind})
		p.blast(97 * psi)
		p.run(11*time.Minute, nil)
		p.want(x.kind, 0, 1)
	}
}

// TestWitnesses: what makes a finder's word against an assumed condition count as any other word of it: a saved state that it goes on from, or a change that it has seen. It
// counts for what was assumed before it alone, and for those kinds alone of which it tells.
func TestWitnesses(t *testing.T) {
	kinds := []Kind{PotEmptySoon, PotEmpty, AbrasiveStopped, DrainDue}
	stops := func(p *pot) {
		feed := p.s.Level.Feed
		p.s.Level.Feed = FeedUndecided
		p.run(3*time.Second, nil)
		p.s.Level.Feed = feed
	}
	recalls := func(p *pot) { p.d.Recalled() }
	refilled := func(p *pot) { p.s.Level.Refills++ }
	half := func(p *pot) { p.s.Level.Share, p.s.Level.Low = 0.5, 0.1 } // a level that does not say for sure that the pot was filled
	idle := func(p *pot) { p.s.Blasting, p.s.Level.Feed = false, FeedUnknown }
	soon, empty, stopped, drain := 10*time.Second, refilledFor, 30*time.Second, 10*time.Second
	for _, x := range []struct {
		name  string
		does  []func(*pot)
		after [4]time.Duration // of kinds; 0: no sooner than without a witness
	}{
		{"nothing", nil, [4]time.Duration{}},
		{"a saved state", []func(*pot){recalls}, [4]time.Duration{soon, empty, stopped, drain}},
		{"the same, of a level that may be little", []func(*pot){half, recalls}, [4]time.Duration{soon, 3 * time.Minute, stopped, drain}},
		{"a refill", []func(*pot){refilled}, [4]time.Duration{soon, empty, 0, 0}},
		{"a refill of a pot that does not blast", []func(*pot){idle, refilled}, [4]time.Duration{soon, empty, 0, 0}},
		{"a stop", []func(*pot){half, stops}, [4]time.Duration{0, 3 * time.Minute, stopped, 0}},
	} {
		p := newPot(t)
		for _, k := range kinds {
			p.d.Assume(Key{Pot: "alder", Kind: k})
		}
		p.blast(97 * psi)
		p.run(time.Second, nil)
		for _, f := range x.does {
			f(p)
		}
		begun := p.s.At
		p.run(10*time.Minute-5*time.Second, nil)
		got := map[Kind]time.Duration{}
		for _, f := range p.found {
			got[f.Kind] = f.At.Sub(begun)
		}
		for i, k := range kinds {
			if want := x.after[i]; want == 0 && got[k] != 0 || want != 0 && (got[k] < want-5*time.Second || got[k] > want+2*time.Second || got[k] == 0) {
				t.Errorf("%s: %s ended after %v, want %v", x.name, k, got[k], want)
			}
		}
	}

	// What is assumed after a witness waits for another one.
	for _, f := range []func(*pot){recalls, refilled, stops} {
		p := newPot(t)
		p.d.Assume(Key{Pot: "alder", Kind: VesselHeld})
		p.blast(97 * psi)
		p.run(time.Second, nil)
		f(p)
		p.d.Assume(Key{Pot: "alder", Kind: PotEmpty})
		p.run(9*time.Minute, nil)
		p.want(PotEmpty, 0, 0)
		refilled(p)
		p.run(4*time.Second, nil)
		p.want(PotEmpty, 0, 1)
	}

	// A gauge is well by a watch that found it ill before the start, and knows that; not by one that never did.
	stuck := Key{Pot: "alder", Kind: SensorFault, Point: points.Vessel.String(), Fault: gauges.Stuck.String()}
	for _, x := range []struct {
		recalled, found bool
		after           time.Duration
	}{{true, true, 11 * time.Second}, {true, false, 11 * time.Minute}, {false, true, 11 * time.Minute}, {false, false, 11 * time.Minute}} {
		p := newPot(t)
		p.d.Assume(stuck)
		if x.recalled {
			p.d.Recalled()
		}
		if x.found {
			p.w.gauges[points.Vessel][gauges.Stuck].Since = begin
		}
		if p.run(9*time.Second, nil); x.after > time.Minute {
			p.run(9*time.Minute, nil)
		}
		p.want(SensorFault, 0, 0)
		p.run(x.after-9*time.Second, nil)
		p.want(SensorFault, 0, 1)
	}
}

// TestShortPresses: of a pot that is well again nozzle-low and supply-low end, though each press begins with a low nozzle and a low supply while the vessel fills; and
// not before.
func TestShortPresses(t *testing.T) {
	for _, x := range []struct {
		kind Kind
		set  func(p *pot, low bool)
		most int // presses
	}{
		{NozzleLow, func(p *pot, low bool) {
			if p.blast(97 * psi); low {
				p.s.Nozzle.Value = 80 * psi
			}
		}, 5},
		{SupplyLow, func(p *pot, low bool) {
			if p.blast(97 * psi); low {
				p.s.Supply.Value = 97 * psi
			} else {
				p.s.Supply.Value = 110 * psi
			}
		}, 14},
	} {
		p := newPot(t)
		press := func(lowFor time.Duration) {
			p.run(20*time.Second, func(at time.Duration) { x.set(p, at < lowFor) })
			p.s.Blasting, p.s.Handle.Pressed = false, false
			p.run(20*time.Second, nil)
		}
		for range 10 {
			press(20 * time.Second)
		}
		p.want(x.kind, 1, 0)
		for range 20 {
			press(13 * time.Second) // the vessel is full by then
		}
		p.want(x.kind, 1, 0)
		n := 0
		for off := 0; off == 0 && n < 30; n++ {
			press(6 * time.Second)
			_, off = p.times(x.kind)
		}
		if n > x.most {
			t.Errorf("%s ended after %d presses, should after %d at most", x.kind, n, x.most)
		}
	}
}
