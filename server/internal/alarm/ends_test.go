package alarm

import (
	"testing"
	"time"
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
